//! Reads the small tables in `tests/data`.

/// Rows of a table: lines that start with `#` are notes, the first other line names the columns.
pub(crate) fn rows(text: &str) -> Vec<Vec<f64>> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            line.split(',')
                .map(|cell| cell.parse().expect("a number"))
                .collect()
        })
        .collect()
}
