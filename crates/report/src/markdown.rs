//! Markdown (GitHub's dialect, for its tables) with the charts as SVG files beside it.

use settlepoint_draw::{LIGHT, Look};
use settlepoint_views::report::{Block, Figure, Grid, Report};

/// Width of the charts, px.
const WIDTH_PX: f64 = 1100.0;

/// A report as text, with what it refers to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Markdown {
    /// The text.
    pub text: String,
    /// Charts: name of the file, and SVG.
    pub charts: Vec<(String, String)>,
}

/// The report as Markdown; its charts are linked in `folder`, a name without a slash.
pub fn markdown(report: &Report, folder: &str) -> Markdown {
    let mut page = Page {
        folder,
        out: Markdown {
            text: String::new(),
            charts: Vec::new(),
        },
    };
    page.line(&format!("# {}", escaped(&report.title)));
    page.line(&escaped(&report.subtitle));
    for section in &report.sections {
        page.line(&format!("## {}", section.topic.heading()));
        for block in &section.blocks {
            page.block(block);
        }
    }
    page.out.text = page.out.text.trim_end().to_owned() + "\n";
    page.out
}

struct Page<'a> {
    folder: &'a str,
    out: Markdown,
}

impl Page<'_> {
    /// A paragraph: text and a blank line.
    fn line(&mut self, text: &str) {
        self.out.text.push_str(text.trim_end());
        self.out.text.push_str("\n\n");
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Text(text) => self.line(&escaped(text)),
            Block::List(points) => {
                let lines: Vec<String> =
                    points.iter().map(|p| format!("- {}", escaped(p))).collect();
                self.line(&lines.join("\n"));
            }
            Block::Tiles(tiles) => {
                let rows: Vec<Vec<String>> = tiles
                    .iter()
                    .map(|t| vec![t.label.clone(), t.value.clone(), t.note.clone()])
                    .collect();
                self.table(&["", "", ""].map(str::to_owned), &rows);
            }
            Block::Facts(facts) => {
                let lines: Vec<String> = facts
                    .iter()
                    .map(|(name, text)| format!("- **{}**: {}", escaped(name), escaped(text)))
                    .collect();
                self.line(&lines.join("\n"));
            }
            Block::Table(grid) => self.grid(grid),
            Block::Figure(figure) => self.figure(figure),
        }
    }

    fn grid(&mut self, grid: &Grid) {
        if !grid.caption.is_empty() {
            self.line(&escaped(&grid.caption));
        }
        let mut rows = grid.table.rows.clone();
        let chosen = grid.chosen.and_then(|i| rows.get_mut(i)?.first_mut());
        if let Some(cell) = chosen.filter(|cell| cell.is_empty()) {
            "recommended".clone_into(cell);
        }
        self.table(&grid.table.header, &rows);
    }

    fn table(&mut self, header: &[String], rows: &[Vec<String>]) {
        let line = |cells: &[String]| {
            let cells: Vec<String> = cells.iter().map(|c| escaped(c)).collect();
            format!("| {} |", cells.join(" | "))
        };
        let rule = vec!["---"; header.len()].join(" | ");
        let mut lines = vec![line(header), format!("| {rule} |")];
        lines.extend(rows.iter().map(|row| line(row)));
        self.line(&lines.join("\n"));
    }

    fn figure(&mut self, figure: &Figure) {
        let look = Look::new(WIDTH_PX, WIDTH_PX * figure.shape, &LIGHT);
        let file = format!(
            "{:02}-{}.svg",
            self.out.charts.len() + 1,
            figure.chart.name()
        );
        let link = format!(
            "![{}]({}/{file})",
            escaped(figure.chart.title()),
            in_link(self.folder)
        );
        self.line(&link);
        self.out.charts.push((file, figure.chart.draw(&look).svg));
    }
}

/// Text that is only text: markup characters escaped, line ends as spaces.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for sign in text.chars() {
        match sign {
            '\\' | '`' | '*' | '_' | '[' | ']' | '<' | '>' | '|' | '#' | '&' | '!' | '~' => {
                out.push('\\');
                out.push(sign);
            }
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// A folder's name in a link: what would end it is percent-encoded (RFC 3986).
fn in_link(name: &str) -> String {
    name.bytes()
        .map(|byte| match byte {
            b if b.is_ascii_alphanumeric() => char::from(b).to_string(),
            b'-' | b'.' | b'_' | b'~' => char::from(byte).to_string(),
            b => format!("%{b:02X}"),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_text_in_markdown() {
        assert_eq!(escaped("a|b <i>\n[x](y)"), "a\\|b \\<i\\> \\[x\\](y)");
        assert_eq!(in_link("my report (1)"), "my%20report%20%281%29");
    }
}
