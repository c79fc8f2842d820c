//! Where samples go: a notebook, a pipe, a test.

use std::io::Write;

use settlepoint_domain::{Channel, LogStart};

use crate::error::SinkError;

/// What a recording is of, before its first row.
#[derive(Clone, Debug)]
pub struct Header {
    /// The channels, without values, in the order of the rows' readings.
    pub channels: Vec<Channel>,
    /// When the first row was taken.
    pub start: LogStart,
}

/// Rows in time order: each is a time in s since the start and one reading a channel.
#[derive(Clone, Copy, Debug)]
pub struct Rows<'a> {
    width: usize,
    flat: &'a [f64],
}

impl<'a> Rows<'a> {
    pub(crate) fn new(width: usize, flat: &'a [f64]) -> Self {
        Self { width, flat }
    }

    /// Time and readings of each row.
    pub fn iter(self) -> impl Iterator<Item = (f64, &'a [f64])> {
        self.flat
            .chunks_exact(self.width + 1)
            .map(|row| (row[0], &row[1..]))
    }

    /// Number of rows.
    pub fn len(self) -> usize {
        self.flat.len() / (self.width + 1)
    }

    /// Whether there is none.
    pub fn is_empty(self) -> bool {
        self.flat.is_empty()
    }
}

/// Takes samples and keeps them. It lives on a thread of its own, so that a slow disk does not
/// disturb the sampling.
pub trait Sink: Send {
    /// Keeps rows; when this returns they outlast a crash, as far as the sink can see to it. Called
    /// about once a second; the header comes with every call, the first call begins the recording.
    ///
    /// # Errors
    /// [`SinkError::Later`] keeps the rows and tries again with more; [`SinkError::Ended`] gives up.
    fn keep(&mut self, header: &Header, rows: Rows<'_>) -> Result<(), SinkError>;

    /// Ends the recording after the last row.
    ///
    /// # Errors
    /// As [`Sink::keep`].
    fn finish(&mut self) -> Result<(), SinkError>;
}

/// Samples as delimited text with one header line, for a pipe or a file.
#[derive(Debug)]
pub struct CsvSink<W: Write> {
    out: csv::Writer<W>,
    begun: bool,
}

impl<W: Write> CsvSink<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self {
            out: csv::Writer::from_writer(out),
            begun: false,
        }
    }

    fn write(&mut self, header: &Header, rows: Rows<'_>) -> Result<(), csv::Error> {
        if !self.begun {
            self.out.write_record(columns(header))?;
            self.begun = true;
        }
        let mut cell = String::new();
        for (time_s, readings) in rows.iter() {
            self.out.write_field(format!("{time_s:.3}"))?;
            for reading in readings {
                cell.clear();
                if !reading.is_nan() {
                    cell += &trimmed(*reading);
                }
                self.out.write_field(&cell)?;
            }
            self.out.write_record(None::<&[u8]>)?;
        }
        Ok(self.out.flush()?)
    }
}

/// Six decimals are finer than any sensor; zeros at the end say nothing.
fn trimmed(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Time, then each channel with its unit.
fn columns(header: &Header) -> Vec<String> {
    let unit = |channel: &Channel| match channel.unit {
        settlepoint_domain::Unit::Celsius => " °C".to_owned(),
        settlepoint_domain::Unit::Rpm => " rpm".to_owned(),
        settlepoint_domain::Unit::None | settlepoint_domain::Unit::Share => String::new(),
        other => format!(" {}", other.code()),
    };
    std::iter::once("time s".to_owned())
        .chain(
            header
                .channels
                .iter()
                .map(|c| format!("{}{}", c.column, unit(c))),
        )
        .collect()
}

impl<W: Write + Send> Sink for CsvSink<W> {
    fn keep(&mut self, header: &Header, rows: Rows<'_>) -> Result<(), SinkError> {
        self.write(header, rows).map_err(|error| SinkError::Ended {
            why: match error.kind() {
                csv::ErrorKind::Io(io) if io.kind() == std::io::ErrorKind::BrokenPipe => {
                    "the reader of the samples has gone".to_owned()
                }
                _ => format!("cannot write the samples: {error}"),
            },
        })
    }

    fn finish(&mut self) -> Result<(), SinkError> {
        self.out.flush().map_err(|error| SinkError::Ended {
            why: format!("cannot write the samples: {error}"),
        })
    }
}
