//! Columns of a row as the types that the store gives out.

use super::Error;
use jiff::Timestamp;
use sqlx::Row as _;
use sqlx::any::AnyRow;

/// A time as it is kept: in UTC with six decimals, so that its order as text is its order in time.
pub(super) fn time_text(at: Timestamp) -> String {
    format!("{at:.6}")
}

/// A condition where a filter is given, so that an index can serve it, and none where it is null.
pub(super) fn only<T>(column: &str, parameter: &str, filter: Option<&T>) -> String {
    match filter {
        Some(_) => format!("{column} = {parameter}"),
        None => format!("{parameter} IS NULL"),
    }
}

/// Rows that are inserted by one statement: enough to save the way to the database, few enough for its
/// parameters.
pub(super) const ROWS: usize = 100;

/// The parameters of so many rows.
pub(super) fn rows(count: usize, columns: usize) -> String {
    let row = |r: usize| {
        let parameters: Vec<String> = (1..=columns).map(|c| format!("${}", r * columns + c)).collect();
        format!("({})", parameters.join(", "))
    };
    (0..count).map(row).collect::<Vec<_>>().join(", ")
}

/// Reading by name; what does not fit is a corrupt row.
pub(super) trait Columns {
    fn text(&self, name: &str) -> Result<String, Error>;
    fn text_or_null(&self, name: &str) -> Result<Option<String>, Error>;
    fn int(&self, name: &str) -> Result<i64, Error>;
    fn int_or_null(&self, name: &str) -> Result<Option<i64>, Error>;
    fn number_or_null(&self, name: &str) -> Result<Option<f64>, Error>;
    fn bytes(&self, name: &str) -> Result<Vec<u8>, Error>;

    fn time(&self, name: &str) -> Result<Timestamp, Error> {
        let text = self.text(name)?;
        text.parse().map_err(|e| Error::corrupt(format!("{name} {text:?} is no time: {e}")))
    }
}

impl Columns for AnyRow {
    fn text(&self, name: &str) -> Result<String, Error> {
        Ok(self.try_get(name)?)
    }

    fn text_or_null(&self, name: &str) -> Result<Option<String>, Error> {
        Ok(self.try_get(name)?)
    }

    fn int(&self, name: &str) -> Result<i64, Error> {
        Ok(self.try_get(name)?)
    }

    fn int_or_null(&self, name: &str) -> Result<Option<i64>, Error> {
        Ok(self.try_get(name)?)
    }

    fn number_or_null(&self, name: &str) -> Result<Option<f64>, Error> {
        Ok(self.try_get(name)?)
    }

    fn bytes(&self, name: &str) -> Result<Vec<u8>, Error> {
        Ok(self.try_get(name)?)
    }
}
