//! The table as CSV (RFC 4180, UTF-8, a header of column names), and its dictionary in a file of its own.
//!
//! That this is for education only stands in the header, as the name of the last column, which every reader keeps and a row takes
//! with it wherever it goes; the dictionary has the whole notice as that column's meaning. A line of words before the header would
//! break readers.
//!
//! A text that a spreadsheet would take for a formula stands behind an apostrophe. Nothing is an empty field; moments are written
//! to the second.

use super::Form;
use super::judged::Judged;
use super::table::{COLUMNS, Holds, rows};
use crate::logbook::database::Value;
use crate::logbook::moment;
use std::fs::File;
use std::io::{self, BufWriter};

/// The table under way.
pub(super) struct Csv(::csv::Writer<BufWriter<File>>);

impl Csv {
    pub(super) fn begin(file: BufWriter<File>) -> io::Result<Self> {
        let mut writer = ::csv::Writer::from_writer(file);
        writer.write_record(COLUMNS.iter().map(|column| column.name))?;
        Ok(Self(writer))
    }
}

impl Form for Csv {
    fn take(&mut self, part: &[Judged]) -> io::Result<u64> {
        let mut count = 0;
        for (judged, component) in part.iter().flat_map(rows) {
            let fields = COLUMNS.iter().map(|column| field(column.holds, &(column.of)(judged, component)));
            self.0.write_record(fields)?;
            count += 1;
        }
        Ok(count)
    }

    fn end(mut self: Box<Self>) -> io::Result<()> {
        self.0.flush()
    }
}

fn field(holds: Holds, value: &Value) -> String {
    match (holds, value) {
        (Holds::Yes, value) => value.is_yes().to_string(),
        (Holds::Moment, Value::Whole(ms)) => {
            Some(moment::in_words(*ms)).filter(|text| text.ends_with('Z')).unwrap_or_default()
        }
        (_, Value::Whole(number)) => number.to_string(),
        (_, Value::Real(number)) => number.to_string(),
        (_, Value::Text(text)) => plain_in_a_spreadsheet(text),
        (_, Value::Null | Value::Bytes(_)) => String::new(),
    }
}

fn plain_in_a_spreadsheet(text: &str) -> String {
    let is_formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if is_formula { format!("'{text}") } else { text.to_owned() }
}

/// The dictionary, as CSV.
pub fn dictionary() -> Vec<u8> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    let columns = COLUMNS.iter().map(|c| [c.name, c.holds.word(), c.unit, c.what, c.allowed]);
    // Writing to memory cannot fail.
    for row in [["column", "type", "unit", "what", "allowed"]].into_iter().chain(columns) {
        let _ = writer.write_record(row);
    }
    writer.into_inner().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_a_formula() {
        for text in ["=1+1", "+1", "-1", "@a", "\t=1"] {
            assert_eq!(field(Holds::Text, &text.into()), format!("'{text}"));
        }
        assert_eq!(field(Holds::Text, &"a = b".into()), "a = b");
        assert_eq!(field(Holds::Real, &(-1.5).into()), "-1.5");
    }

    #[test]
    fn fields_are_what_any_reader_takes_them_for() {
        assert_eq!(field(Holds::Yes, &true.into()), "true");
        assert_eq!(field(Holds::Real, &Value::Null), "");
        assert_eq!(field(Holds::Moment, &1_795_986_415_999_i64.into()), "2026-11-29T21:06:55Z");
        assert_eq!(field(Holds::Moment, &i64::MAX.into()), "");
        assert_eq!(field(Holds::Real, &1e-7.into()).parse(), Ok(1e-7));
    }
}
