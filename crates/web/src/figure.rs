//! A chart on a page: the picture for wide and for narrow windows, its numbers, its files.

use maud::{Markup, html};
use settlepoint_draw::{Chart, LIGHT, Look, PAGE, Table, png};

use crate::error::PageError;
use crate::html;

/// Size of a chart in a wide window and in a narrow one, px.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sizes {
    pub(crate) wide: (f64, f64),
    pub(crate) narrow: (f64, f64),
}

/// Most charts.
pub(crate) const PLAIN: Sizes = Sizes {
    wide: (880.0, 440.0),
    narrow: (340.0, 330.0),
};

/// Several panels one below the other.
pub(crate) const TALL: Sizes = Sizes {
    wide: (880.0, 620.0),
    narrow: (340.0, 600.0),
};

/// A chart without heading and files, where it belongs to nothing that is kept yet.
pub(crate) fn picture(chart: &dyn Chart, sizes: Sizes) -> Markup {
    html! {
        figure .chart {
            (pictures(chart, sizes))
            (numbers(chart))
        }
    }
}

fn pictures(chart: &dyn Chart, sizes: Sizes) -> Markup {
    let draw =
        |(width, height): (f64, f64)| chart.draw(&Look::new(width, height, &PAGE).untitled()).svg;
    html! {
        div .picture.wide { (html::drawn(&draw(sizes.wide))) }
        div .picture.narrow { (html::drawn(&draw(sizes.narrow))) }
    }
}

fn numbers(chart: &dyn Chart) -> Markup {
    html! {
        details {
            summary { "Its numbers" }
            (html::table(chart.title(), &chart.table()))
        }
    }
}

/// A chart with its heading, its table and links to its files. `address` is that of the files
/// without their ending, `query` what goes behind it.
pub(crate) fn figure(chart: &dyn Chart, sizes: Sizes, address: &str, query: &str) -> Markup {
    let file = |ending: &str| {
        if query.is_empty() {
            format!("{address}.{ending}")
        } else {
            format!("{address}.{ending}?{query}")
        }
    };
    html! {
        figure .chart {
            figcaption {
                h3 { (chart.title()) }
                @if !chart.subtitle().is_empty() { p { (chart.subtitle()) } }
            }
            (pictures(chart, sizes))
            (numbers(chart))
            p .files {
                "Files: "
                a href=(file("svg")) download { "SVG" } " "
                a href=(file("png")) download { "PNG" } " "
                a href=(file("csv")) download { "CSV" }
            }
        }
    }
}

/// A chart as a file: its type and its bytes.
pub(crate) fn file(chart: &dyn Chart, ending: &str) -> Result<(&'static str, Vec<u8>), PageError> {
    let look = Look::for_pixels(1600, 900, &LIGHT);
    Ok(match ending {
        "svg" => ("image/svg+xml", chart.draw(&look).svg.into_bytes()),
        "png" => {
            let picture = chart.draw(&look);
            let bytes = png(&picture, 1600, 900).map_err(|_| PageError::inside())?;
            ("image/png", bytes)
        }
        "csv" => ("text/csv; charset=utf-8", csv(&chart.table()).into_bytes()),
        _ => return Err(PageError::not_found("There is no such file here.")),
    })
}

/// A table as comma-separated text (RFC 4180): plain minus signs, no spaces within numbers, and no
/// cell that a spreadsheet takes for a formula.
pub(crate) fn csv(table: &Table) -> String {
    let line = |cells: &[String]| {
        let cells: Vec<String> = cells.iter().map(|c| csv_cell(c)).collect();
        cells.join(",") + "\r\n"
    };
    std::iter::once(line(&table.header))
        .chain(table.rows.iter().map(|row| line(row)))
        .collect()
}

fn csv_cell(text: &str) -> String {
    let plain = text.replace('\u{2212}', "-").replace('\u{a0}', "");
    let number = plain.parse::<f64>().is_ok();
    let guarded = if !number && plain.starts_with(['=', '+', '-', '@', '\t']) {
        format!("'{plain}")
    } else {
        plain
    };
    if guarded.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", guarded.replace('"', "\"\""))
    } else {
        guarded
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_read_by_spreadsheets_as_they_are_meant() {
        let table = Table {
            header: vec!["run, name".into(), "K".into()],
            rows: vec![
                vec!["=cmd()".into(), "\u{2212}1.5".into()],
                vec!["a \"b\"".into(), "10\u{a0}000".into()],
            ],
        };
        assert_eq!(
            csv(&table),
            "\"run, name\",K\r\n'=cmd(),-1.5\r\n\"a \"\"b\"\"\",10000\r\n"
        );
    }
}
