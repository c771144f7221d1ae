//! Rows as the statements return them: cells read in order, on either engine.
//!
//! Reading by position rather than by name lets one statement return the rows of several tables side by side, although
//! their columns share names.

use sqlx::{ColumnIndex, Decode, Row, Type};

/// The cells of one row, read from left to right.
pub(crate) trait Cells {
    fn text(&mut self) -> Result<String, sqlx::Error>;
    fn maybe_text(&mut self) -> Result<Option<String>, sqlx::Error>;
    fn bigint(&mut self) -> Result<i64, sqlx::Error>;
    /// Whether the next cell is null; it stays the next one.
    fn is_null(&mut self) -> Result<bool, sqlx::Error>;
    /// Passes over some cells.
    fn skip(&mut self, cells: usize);
}

/// A row of either engine and the position of its next cell.
pub(crate) struct Cursor<'r, R> {
    row: &'r R,
    next: usize,
}

impl<'r, R> Cursor<'r, R> {
    pub(crate) fn new(row: &'r R) -> Self {
        Self { row, next: 0 }
    }

    fn take(&mut self) -> usize {
        self.next += 1;
        self.next - 1
    }
}

impl<'r, R> Cells for Cursor<'r, R>
where
    R: Row,
    usize: ColumnIndex<R>,
    String: Decode<'r, R::Database> + Type<R::Database>,
    i64: Decode<'r, R::Database> + Type<R::Database>,
    Option<String>: Decode<'r, R::Database> + Type<R::Database>,
{
    fn text(&mut self) -> Result<String, sqlx::Error> {
        let at = self.take();
        self.row.try_get(at)
    }

    fn maybe_text(&mut self) -> Result<Option<String>, sqlx::Error> {
        let at = self.take();
        self.row.try_get(at)
    }

    fn bigint(&mut self) -> Result<i64, sqlx::Error> {
        let at = self.take();
        self.row.try_get(at)
    }

    fn is_null(&mut self) -> Result<bool, sqlx::Error> {
        use sqlx::ValueRef;
        Ok(self.row.try_get_raw(self.next)?.is_null())
    }

    fn skip(&mut self, cells: usize) {
        self.next += cells;
    }
}

/// What a statement returns, one a row.
pub(crate) trait FromCells: Sized {
    /// How many cells it is read from.
    const WIDTH: usize;

    fn from_cells(cells: &mut impl Cells) -> Result<Self, sqlx::Error>;
}

/// Null in the first cell stands for a row that an outer join did not find: first cells are never nullable.
impl<T: FromCells> FromCells for Option<T> {
    const WIDTH: usize = T::WIDTH;

    fn from_cells(cells: &mut impl Cells) -> Result<Self, sqlx::Error> {
        if cells.is_null()? {
            cells.skip(T::WIDTH);
            return Ok(None);
        }
        T::from_cells(cells).map(Some)
    }
}

impl FromCells for i64 {
    const WIDTH: usize = 1;

    fn from_cells(cells: &mut impl Cells) -> Result<Self, sqlx::Error> {
        cells.bigint()
    }
}

impl FromCells for String {
    const WIDTH: usize = 1;

    fn from_cells(cells: &mut impl Cells) -> Result<Self, sqlx::Error> {
        cells.text()
    }
}

/// Declares what a statement returns: a struct whose fields are read from the cells in order. A field is `text`,
/// `maybe_text`, `bigint`, or `(Type)` for anything else that is read from cells.
macro_rules! cells {
    ($( $(#[$meta:meta])* pub struct $name:ident { $( $(#[$about:meta])* $field:ident: $kind:tt ),+ $(,)? } )+) => { $(
        $(#[$meta])*
        #[derive(Debug, Clone, PartialEq, Eq)]
        pub struct $name { $( $(#[$about])* pub $field: $crate::store::cells::cell_type!($kind) ),+ }

        impl $crate::store::cells::FromCells for $name {
            const WIDTH: usize = 0 $( + $crate::store::cells::cell_width!($kind) )+;

            fn from_cells(cells: &mut impl $crate::store::cells::Cells) -> Result<Self, sqlx::Error> {
                Ok(Self { $( $field: $crate::store::cells::cell!(cells, $kind) ),+ })
            }
        }
    )+ };
}

macro_rules! cell_type {
    (text) => { String };
    (maybe_text) => { Option<String> };
    (bigint) => { i64 };
    (($type:ty)) => { $type };
}

macro_rules! cell_width {
    (($type:ty)) => {
        <$type as $crate::store::cells::FromCells>::WIDTH
    };
    ($kind:ident) => {
        1
    };
}

macro_rules! cell {
    ($cells:ident, text) => {
        $cells.text()?
    };
    ($cells:ident, maybe_text) => {
        $cells.maybe_text()?
    };
    ($cells:ident, bigint) => {
        $cells.bigint()?
    };
    ($cells:ident, ($type:ty)) => {
        <$type as $crate::store::cells::FromCells>::from_cells($cells)?
    };
}

pub(crate) use {cell, cell_type, cell_width, cells};
