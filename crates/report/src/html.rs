//! One HTML file: opens offline, asks for nothing, prints well, follows the system's wish for light
//! or dark, reads without script (there is none).

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html as markup};
use settlepoint_draw::{BOLD_WOFF2, DARK, FAMILY, LIGHT, Look, PAGE, REGULAR_WOFF2};
use settlepoint_views::report::{Block, Figure, Grid, Report, Section, Tile};

/// Width of a chart beside the headings of sections, px of the page: its letters are then as large as
/// the text around it.
const WIDE_PX: f64 = 880.0;
/// Width on a phone, where charts are drawn anew instead of shrunk.
const NARROW_PX: f64 = 358.0;
/// Columns of long series: what half a page shows of them.
const COLUMNS: u32 = 440;
/// The same on a phone.
const NARROW_COLUMNS: u32 = 180;

/// Nothing is fetched, nothing runs, nothing is sent; styles and typeface are in the file.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; font-src data:; base-uri 'none'; form-action 'none'";

/// The report as one HTML file.
pub fn html(report: &Report) -> String {
    let page = markup! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                meta name="color-scheme" content="light dark";
                title { (report.title) }
                style { (PreEscaped(css())) }
            }
            body {
                header {
                    h1 { (report.title) }
                    p.sub { (report.subtitle) }
                    (contents(report))
                }
                main { @for section in &report.sections { (section_of(section)) } }
            }
        }
    };
    page.into_string()
}

/// The style with both themes and the typeface.
pub fn css() -> String {
    let face = |weight: u16, bytes: &[u8]| {
        format!(
            "@font-face{{font-family:'{FAMILY}';font-weight:{weight};\
             src:url(data:font/woff2;base64,{}) format('woff2')}}",
            STANDARD.encode(bytes)
        )
    };
    let (light, dark) = (LIGHT.css(), DARK.css());
    format!(
        "{}{}:root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n{}{}",
        face(400, REGULAR_WOFF2),
        face(700, BOLD_WOFF2),
        column_css(),
        include_str!("style.css")
    )
}

fn contents(report: &Report) -> Markup {
    markup! {
        nav aria-label="Sections" {
            ul {
                @for section in &report.sections {
                    li { a href=(format!("#{}", section.topic.token())) { (section.topic.heading()) } }
                }
            }
        }
    }
}

fn section_of(section: &Section) -> Markup {
    let heading = format!("{}-heading", section.topic.token());
    markup! {
        section id=(section.topic.token()) aria-labelledby=(heading) {
            h2 id=(heading) { (section.topic.heading()) }
            div { @for block in &section.blocks { (block_of(block)) } }
        }
    }
}

fn block_of(block: &Block) -> Markup {
    markup! {
        @match block {
            Block::Text(text) => p { (bound(text)) },
            Block::List(points) => ul { @for point in points { li { (bound(point)) } } },
            Block::Tiles(tiles) => dl.tiles { @for tile in tiles { (tile_of(tile)) } },
            Block::Facts(facts) => dl.facts {
                @for (name, text) in facts { dt { (name) } dd { (bound(text)) } }
            },
            Block::Table(grid) => (table(grid)),
            Block::Figure(figure) => (figure_of(figure)),
        }
    }
}

/// Units that stay on the line of their number.
const UNITS: [&str; 14] = [
    "°C", "W", "%", "dB(A)", "dB", "K/W", "rpm", "s", "K", "MHz", "m", "h", "runs", "run",
];

/// Text with no line end between a number and its unit.
fn bound(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    for (i, word) in text.split(' ').enumerate() {
        let unit = word.trim_end_matches([',', '.', ';', ':', ')']);
        let unit = if word.starts_with("dB(A)") {
            "dB(A)"
        } else {
            unit
        };
        let number = out.ends_with(|c: char| c.is_ascii_digit() || c == ')');
        if i > 0 {
            out.push(if number && UNITS.contains(&unit) {
                '\u{a0}'
            } else {
                ' '
            });
        }
        out.push_str(word);
    }
    out
}

fn tile_of(tile: &Tile) -> Markup {
    markup! {
        div {
            dt { (tile.label) }
            dd.value { (tile.value) }
            @if !tile.note.is_empty() { dd.note { (tile.note) } }
        }
    }
}

/// Columns are set by classes of the table, "n3" for numbers in the third: a class in each cell would
/// be half of a long table.
fn table(grid: &Grid) -> Markup {
    let classes: Vec<String> = (0..grid.table.header.len())
        .filter_map(|i| Column::of(grid, i).class(i + 1))
        .collect();
    markup! {
        // Outside of what scrolls on a phone.
        @if !grid.caption.is_empty() { p.caption { (bound(&grid.caption)) } }
        div.wide-table tabindex="0" role="region" aria-label=(name_of(grid)) {
            table class=[(!classes.is_empty()).then(|| classes.join(" "))] {
                thead {
                    tr { @for title in &grid.table.header { th scope="col" { (title) } } }
                }
                tbody {
                    @for (place, row) in grid.table.rows.iter().enumerate() {
                        tr class=[(grid.chosen == Some(place)).then_some("chosen")] {
                            @for cell in row { td { (bound(cell)) } }
                        }
                    }
                }
            }
        }
    }
}

fn name_of(grid: &Grid) -> &str {
    if grid.caption.is_empty() {
        "Table"
    } else {
        &grid.caption
    }
}

/// How a column is set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Column {
    Numbers,
    Words,
    Sentences,
}

/// Cells longer than this need room to wrap in.
const LONG: usize = 28;
/// Columns of a table that can be set as numbers.
const MOST_COLUMNS: usize = 14;

impl Column {
    fn of(grid: &Grid, place: usize) -> Self {
        let cells = || grid.table.rows.iter().filter_map(|row| row.get(place));
        let blank = |cell: &String| cell.is_empty() || cell == "–";
        // The first column names the rows, also where all names happen to be numbers.
        if place > 0 && cells().all(|c| blank(c) || is_number(c)) && cells().any(|c| is_number(c)) {
            Self::Numbers
        } else if cells().any(|c| c.chars().count() > LONG) {
            Self::Sentences
        } else {
            Self::Words
        }
    }

    /// The class of a table for its n-th column, from 1.
    fn class(self, n: usize) -> Option<String> {
        match self {
            _ if n > MOST_COLUMNS => None,
            Self::Numbers => Some(format!("n{n}")),
            Self::Words => None,
            Self::Sentences => Some(format!("t{n}")),
        }
    }
}

/// The style of columns set by [`Column::class`].
fn column_css() -> String {
    let of = |letter: &str| {
        let all: Vec<String> = (1..=MOST_COLUMNS)
            .map(|n| format!(".{letter}{n} :is(td,th):nth-child({n})"))
            .collect();
        all.join(",")
    };
    format!(
        "{}{{text-align:right;white-space:nowrap}}{}{{min-width:11rem;overflow-wrap:anywhere}}",
        of("n"),
        of("t")
    )
}

/// Digits with what belongs to numbers: "−3.2", "87.1 (85.6 to 88.7)", "44.2 (3×)".
fn is_number(cell: &str) -> bool {
    cell.starts_with(|c: char| c.is_ascii_digit() || "+\u{2212}".contains(c))
        && cell.chars().count() < 24
        && !cell.contains(|c: char| c.is_alphabetic() && !"toe".contains(c))
}

fn figure_of(figure: &Figure) -> Markup {
    let chart = &figure.chart;
    let wide = Look::new(WIDE_PX, WIDE_PX * figure.shape, &PAGE)
        .untitled()
        .reduced_to(COLUMNS);
    let narrow = Look::new(NARROW_PX, NARROW_PX * figure.tall, &PAGE)
        .untitled()
        .reduced_to(NARROW_COLUMNS);
    let numbers = Grid {
        caption: String::new(),
        table: chart.table(),
        chosen: None,
    };
    markup! {
        figure {
            figcaption {
                (chart.title())
                @if !chart.subtitle().is_empty() { span { (chart.subtitle()) } }
            }
            div.wide { (PreEscaped(chart.draw(&wide).svg)) }
            div.narrow { (PreEscaped(chart.draw(&narrow).svg)) }
            details {
                summary { "The numbers behind it" }
                (table(&numbers))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_their_units() {
        assert_eq!(
            bound("up to 34 °C, or 36.0 dB(A)."),
            "up to 34\u{a0}°C, or 36.0\u{a0}dB(A)."
        );
        assert_eq!(bound("2 of 3 W"), "2 of 3\u{a0}W");
        assert_eq!(bound(""), "");
    }

    #[test]
    fn numbers_are_told_from_words() {
        for number in [
            "3.2",
            "\u{2212}0.5",
            "+1",
            "87.1 (85.6 to 88.7)",
            "44.2 (3\u{d7})",
            "12\u{a0}345",
        ] {
            assert!(is_number(number), "{number}");
        }
        for word in [
            "",
            "181 W",
            "recommended",
            "125/253 W 100 °C",
            "2026-03-04 08:00:00 UTC",
        ] {
            assert!(!is_number(word), "{word}");
        }
    }
}
