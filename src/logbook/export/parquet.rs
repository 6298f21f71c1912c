//! The table as Parquet. Every column may hold nothing; the file's metadata has the notice, the dictionary, and the head of the chain
//! that it was made from. Not compressed: columns that repeat are kept as numbers into a list, which makes them small already.

use super::judged::{Component, Judged};
use super::table::{COLUMNS, Column, Holds, rows};
use super::{Form, csv};
use crate::debrief::text::NOTICE;
use crate::logbook::chain::hex;
use crate::logbook::database::Value;
use crate::logbook::store::Head;
use ::parquet::basic::{ConvertedType, LogicalType, Repetition, TimeUnit, Type as Physical};
use ::parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use ::parquet::errors::ParquetError;
use ::parquet::file::metadata::KeyValue;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use ::parquet::schema::types::Type;
use std::fs::File;
use std::io::{self, BufWriter};
use std::sync::Arc;

/// The table under way.
pub(super) struct Parquet(SerializedFileWriter<BufWriter<File>>);

fn refused(error: ParquetError) -> io::Error {
    match error {
        ParquetError::External(error) => match error.downcast::<io::Error>() {
            Ok(error) => *error,
            Err(error) => io::Error::other(error),
        },
        error => io::Error::other(error),
    }
}

fn field(column: &Column) -> Result<Type, ParquetError> {
    let (physical, logical) = match column.holds {
        Holds::Whole => (Physical::INT64, None),
        Holds::Real => (Physical::DOUBLE, None),
        Holds::Yes => (Physical::BOOLEAN, None),
        Holds::Moment => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MILLIS))),
        Holds::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
    };
    let builder = Type::primitive_type_builder(column.name, physical).with_repetition(Repetition::OPTIONAL);
    builder.with_logical_type(logical).with_converted_type(ConvertedType::NONE).build()
}

impl Parquet {
    pub(super) fn begin(file: BufWriter<File>, head: Head) -> io::Result<Self> {
        let fields = COLUMNS.iter().map(|column| field(column).map(Arc::new)).collect::<Result<Vec<_>, _>>();
        let schema = Type::group_type_builder("corecleft").with_fields(fields.map_err(refused)?).build();
        let said = [
            ("corecleft.notice", NOTICE.to_owned()),
            ("corecleft.dictionary", String::from_utf8_lossy(&csv::dictionary()).into_owned()),
            ("corecleft.head", format!("{} {}", head.seq, hex(&head.hash))),
        ];
        let said = said.map(|(key, value)| KeyValue::new(key.to_owned(), value)).to_vec();
        let properties = WriterProperties::builder()
            .set_created_by(concat!("corecleft ", env!("CARGO_PKG_VERSION")).to_owned())
            .set_key_value_metadata(Some(said))
            .build();
        let schema = Arc::new(schema.map_err(refused)?);
        SerializedFileWriter::new(file, schema, Arc::new(properties)).map(Self).map_err(refused)
    }
}

impl Form for Parquet {
    fn take(&mut self, part: &[Judged]) -> io::Result<u64> {
        let rows: Vec<_> = part.iter().flat_map(rows).collect();
        if !rows.is_empty() {
            group(&mut self.0, &rows).map_err(refused)?;
        }
        Ok(rows.len() as u64)
    }

    fn end(self: Box<Self>) -> io::Result<()> {
        self.0.close().map(|_| ()).map_err(refused)
    }
}

fn group(
    file: &mut SerializedFileWriter<BufWriter<File>>,
    rows: &[(&Judged, Option<&Component>)],
) -> Result<(), ParquetError> {
    let mut group = file.next_row_group()?;
    for column in &COLUMNS {
        let Some(mut to) = group.next_column()? else {
            return Err(ParquetError::General("there are fewer columns than were meant".to_owned()));
        };
        let values = rows.iter().map(|(judged, component)| (column.of)(judged, *component));
        match column.holds {
            Holds::Whole | Holds::Moment => write::<Int64Type>(&mut to, values.map(|value| value.whole()))?,
            Holds::Real => write::<DoubleType>(&mut to, values.map(|value| value.real()))?,
            Holds::Yes => write::<BoolType>(&mut to, values.map(|value| value.whole().map(|yes| yes == 1)))?,
            Holds::Text => {
                write::<ByteArrayType>(
                    &mut to,
                    values.map(|value| match value {
                        Value::Text(text) => Some(ByteArray::from(text.into_bytes())),
                        _ => None,
                    }),
                )?;
            }
        }
        to.close()?;
    }
    group.close()?;
    Ok(())
}

fn write<T: DataType>(
    to: &mut SerializedColumnWriter<'_>,
    values: impl Iterator<Item = Option<T::T>>,
) -> Result<(), ParquetError> {
    let mut there = Vec::new();
    let levels: Vec<i16> = values
        .map(|value| {
            let level = i16::from(value.is_some());
            there.extend(value);
            level
        })
        .collect();
    to.typed::<T>().write_batch(&there, Some(&levels), None)?;
    Ok(())
}
