//! The effective rate, solved in cells: a guess and five steps of Newton's rule on the logarithm of the present value, which is nearly
//! straight, so that they reach the last digit of a spreadsheet's numbers. No figure of the service comes from here: what the steps come
//! to is shown beside their formulas, and the last one is the rate that was solved when the issue was recorded.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::columns::{Input, Sched};
use crate::export::xlsx::cell::{Column, Held, Look, Row};

/// The cells of a search: the guess, the steps, and the rate.
pub(super) type Steps = [Input; 6];

pub(super) const GROSS: Steps =
    [Input::Gross0, Input::Gross1, Input::Gross2, Input::Gross3, Input::Gross4, Input::Gross];
pub(super) const NET: Steps = [Input::Net0, Input::Net1, Input::Net2, Input::Net3, Input::Net4, Input::Net];
pub(super) const SAME: Steps = [Input::Same0, Input::Same1, Input::Same2, Input::Same3, Input::Same4, Input::Same];

/// How far the last step may be from the rate that was solved.
const NEAR: f64 = 1e-13;

/// What is to be solved.
pub(super) struct Search<'a> {
    pub steps: Steps,
    /// The row of the issue among the inputs.
    pub input: u32,
    /// The price a unit.
    pub price: Input,
    /// The start, and the rows of the first and last payment.
    pub start: u32,
    pub rows: (u32, u32),
    pub flow: Sched,
    /// The payments with their times, the price, and the interest that had accrued.
    pub flows: &'a [(Decimal, Decimal)],
    pub paid: Decimal,
    pub accrued: Decimal,
    pub coupon: Decimal,
    pub redemption: Decimal,
    /// As it was solved.
    pub rate: Decimal,
}

impl Search<'_> {
    /// Writes the search; the rate alone where it does not come to what was solved.
    pub fn write(&self, row: &mut Row) {
        let values = self.values().filter(|values| {
            let solved = self.rate.to_f64().unwrap_or(f64::NAN);
            (values[5] - solved).abs() < NEAR
        });
        let Some(values) = values else {
            row.looking(self.steps[5], Held::Number(self.rate), Look::Rate);
            return;
        };
        let at = self.input;
        let (price, redemption) = (self.price.at(at), Input::Redemption.at(at));
        let coupon = format!("{}/{}", Input::CouponRate.at(at), Input::PeriodsPerYear.at(at));
        let periods = Sched::Length.of(self.rows.1);
        let guess = format!("({coupon}+({redemption}-{price})/{periods})/(({redemption}+{price})/2)");
        row.live(self.steps[0], guess, Held::Guess(values[0]));
        let flows = self.flow.span(self.rows.0, self.rows.1);
        let times = Sched::Length.span(self.rows.0, self.rows.1);
        let dirty = format!("({price}+{})", Sched::Interest.of(self.start));
        for (at_step, pair) in self.steps.windows(2).enumerate() {
            let &[before, step] = pair else { continue };
            let y = before.at(at);
            let worth = format!("SUMPRODUCT({flows},(1+{y})^(-{times}))");
            let slope = format!("SUMPRODUCT({flows},{times},(1+{y})^(-{times}-1))");
            let formula = format!("{y}+LN({worth}/{dirty})*{worth}/{slope}");
            match at_step {
                4 => row.live_looking(step, formula, Held::Number(self.rate), Look::Rate),
                _ => row.live(step, formula, Held::Guess(values[at_step + 1])),
            }
        }
    }

    fn values(&self) -> Option<[f64; 6]> {
        let (price, coupon, redemption) = (self.paid.to_f64()?, self.coupon.to_f64()?, self.redemption.to_f64()?);
        let dirty = price + self.accrued.to_f64()?;
        let flows: Vec<(f64, f64)> =
            self.flows.iter().map(|(flow, time)| Some((flow.to_f64()?, time.to_f64()?))).collect::<Option<_>>()?;
        let periods = flows.last()?.1;
        let mut values = [(coupon + (redemption - price) / periods) / f64::midpoint(redemption, price); 6];
        for step in 1..values.len() {
            let y = values[step - 1];
            let worth: f64 = flows.iter().map(|(flow, time)| flow * (1.0 + y).powf(-time)).sum();
            let slope: f64 = flows.iter().map(|(flow, time)| flow * time * (1.0 + y).powf(-time - 1.0)).sum();
            values[step] = y + (worth / dirty).ln() * worth / slope;
        }
        values.iter().all(|value| value.is_finite()).then_some(values)
    }
}
