//! In which representations resources can be had: the one that `format` names in a query, else the one that `Accept` likes best.

use serde::Deserialize;
use utoipa::ToSchema;

use crate::http::accept::{Accept, Media};
use crate::http::problem::Problem;

/// Names of representations of one kind of resource.
pub(super) trait Representation: Sized {
    /// All of them; the first is what a caller gets who says nothing.
    const OFFERS: &'static [Media];

    fn media(self) -> Media;
}

macro_rules! formats {
    ($($(#[$doc:meta])* $name:ident { $($(#[$of:meta])* $format:ident $media:ident,)* })*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, ToSchema)]
        #[serde(rename_all = "kebab-case")]
        pub enum $name { $($(#[$of])* $format,)* }

        impl Representation for $name {
            const OFFERS: &'static [Media] = &[$(Media::$media,)*];

            fn media(self) -> Media {
                match self { $($name::$format => Media::$media,)* }
            }
        }
    )*};
}

formats! {
    /// In which representation a table is wanted, where `Accept` cannot say it.
    Format {
        Json Json,
        Csv Csv,
    }

    /// In which representation a report for people is wanted, where `Accept` cannot say it.
    PageFormat {
        Json Json,
        Html Html,
    }

    /// In which representation a table for people is wanted, where `Accept` cannot say it.
    ReportFormat {
        Json Json,
        Csv Csv,
        /// A page for people.
        Html Html,
    }

    /// In which representation a rollforward is wanted, where `Accept` cannot say it.
    RollforwardFormat {
        Json Json,
        Csv Csv,
        Xlsx Xlsx,
        Html Html,
    }

    /// In which representation a calendar is wanted, where `Accept` cannot say it.
    CalendarFormat {
        Json Json,
        Ics Calendar,
        /// A page for people.
        Html Html,
    }

    /// In which representation a batch is wanted, where `Accept` cannot say it.
    BatchFormat {
        Json Json,
        Csv Csv,
        /// XBRL Global Ledger, Recommendation 2015-03-25, palette case-c-b-m.
        XbrlGl XbrlGl,
        /// The same, as `application/xml`.
        Xml Xml,
        Xlsx Xlsx,
        /// A page for people.
        Html Html,
    }
}

/// The representation that is wanted.
///
/// # Errors
/// 406 when the caller takes none of those there are.
pub(super) fn media<F: Representation>(format: Option<F>, accept: &Accept) -> Result<Media, Problem> {
    format.map_or_else(|| accept.choose(F::OFFERS), |format| Ok(format.media()))
}
