//! Tables of scores in the shapes that people keep them in.

use settlepoint_domain::Direction;

use crate::error::Failure;
use crate::readings::{self, SCORES, TypedScore, decode, delimiter_of, is_comment};

/// Records of a table as text, with their lines.
type Records = Vec<(u64, Vec<String>)>;

/// Reads a table of scores: rows with `setting` and `score`, one column a setting, one row a
/// setting with numbered columns of repetitions (`time1,time2,…`), or rows without a header that
/// begin with a name.
pub(crate) fn read(bytes: &[u8], file: &str) -> Result<Vec<TypedScore>, Failure> {
    let (records, decimal_comma) = records(bytes, file)?;
    let Some((header, rows)) = records.split_first() else {
        return readings::scores(bytes, file);
    };
    let place = Place {
        file,
        decimal_comma,
    };
    if header.1.len() > 1 && header.1[1..].iter().any(|c| place.number(c).is_some()) {
        return headerless(&place, &records);
    }
    match numbered(&header.1, rows, &place) {
        Some(groups) => repeats_in_columns(&place, &groups, rows),
        None => readings::scores(bytes, file),
    }
}

/// Where a cell stands, for errors, and how its numbers are written.
struct Place<'a> {
    file: &'a str,
    decimal_comma: bool,
}

impl Place<'_> {
    fn number(&self, cell: &str) -> Option<f64> {
        let plain = if self.decimal_comma {
            cell.replace(',', ".")
        } else {
            cell.to_owned()
        };
        plain.parse::<f64>().ok().filter(|v| v.is_finite())
    }

    fn bad(&self, line: u64, cell: &str, expected: &str) -> Failure {
        Failure::data(format!(
            "{}, line {line}: '{cell}' where {expected} is expected; correct the cell",
            self.file
        ))
    }
}

fn records(bytes: &[u8], file: &str) -> Result<(Records, bool), Failure> {
    let text = decode(bytes, file)?;
    let first = text
        .lines()
        .find(|l| !l.trim().is_empty() && !is_comment(l));
    let delimiter = first.map_or(b',', delimiter_of);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let mut records = Records::new();
    for record in reader.records() {
        let record = record.map_err(|e| Failure::data(format!("{file}: {e}")))?;
        let line = record.position().map_or(0, csv::Position::line);
        let blank = record.iter().all(str::is_empty);
        if !blank && !record.get(0).is_some_and(is_comment) {
            records.push((line, record.iter().map(str::to_owned).collect()));
        }
    }
    Ok((records, delimiter != b','))
}

fn typed(setting: &str, workload: Option<String>, value: f64, repetition: u32) -> TypedScore {
    TypedScore {
        setting: setting.to_owned(),
        workload,
        value,
        unit: None,
        lower_is_better: None,
        repetition: Some(repetition),
        order: None,
        block: None,
        time: None,
        run: None,
        run_id: None,
    }
}

/// Every row a repetition: a name, then one number for each workload.
fn headerless(
    place: &Place<'_>,
    records: &[(u64, Vec<String>)],
) -> Result<Vec<TypedScore>, Failure> {
    let mut all: Vec<TypedScore> = Vec::new();
    for (line, cells) in records {
        let (name, numbers) = cells
            .split_first()
            .ok_or_else(|| place.bad(*line, "", "a setting's name and its scores"))?;
        if place.number(name).is_some() {
            return Err(place.bad(
                *line,
                name,
                "a setting's name (or a header above the numbers)",
            ));
        }
        for (i, cell) in numbers.iter().enumerate() {
            // A separator at the end of a line makes an empty last cell. A zero in a column of
            // scores is a counter that was not there.
            let value = match place.number(cell) {
                None if cell.is_empty() => continue,
                None => return Err(place.bad(*line, cell, "a score above 0")),
                Some(value) if !SCORES.contains(&value) => continue,
                Some(value) => value,
            };
            let workload = format!("column {}", i + 2);
            let before = all
                .iter()
                .filter(|s| s.setting == *name && s.workload.as_ref() == Some(&workload))
                .count();
            let repetition = u32::try_from(before).unwrap_or(u32::MAX - 1) + 1;
            all.push(typed(name, Some(workload), value, repetition));
        }
    }
    Ok(all)
}

/// Columns of one workload: its name and the places of its repetitions.
type Group = (String, Vec<usize>);

/// Numbered columns from which repetitions are told from settings that happen to end in a number.
const LEAST_NUMBERED: usize = 3;

/// The groups of numbered columns, if the header has them beside a column of names.
fn numbered(
    header: &[String],
    rows: &[(u64, Vec<String>)],
    place: &Place<'_>,
) -> Option<Vec<Group>> {
    let named = |cells: &Vec<String>| cells.first().is_some_and(|c| place.number(c).is_none());
    let ours = [
        "run",
        "workload",
        "repetition",
        "order",
        "block",
        "score",
        "time",
    ];
    let first = header.first()?;
    if !rows.iter().all(|(_, cells)| named(cells))
        || ours.iter().any(|c| first.eq_ignore_ascii_case(c))
    {
        return None;
    }
    let mut groups: Vec<Group> = Vec::new();
    for (i, name) in header.iter().enumerate() {
        let stem = name.trim_end_matches(|c: char| c.is_ascii_digit());
        if stem.len() == name.len() {
            continue;
        }
        let number: usize = name[stem.len()..].parse().ok()?;
        let stem = stem.trim_end_matches(['_', ' ', '-', '#']).to_owned();
        match groups.iter_mut().find(|(known, _)| *known == stem) {
            Some((_, places)) if places.len() + 1 == number => places.push(i),
            None if number == 1 => groups.push((stem, vec![i])),
            _ => return None,
        }
    }
    let enough = groups
        .iter()
        .all(|(_, places)| places.len() >= LEAST_NUMBERED);
    (enough && !groups.is_empty()).then_some(groups)
}

fn repeats_in_columns(
    place: &Place<'_>,
    groups: &[Group],
    rows: &[(u64, Vec<String>)],
) -> Result<Vec<TypedScore>, Failure> {
    let mut all = Vec::new();
    for (line, cells) in rows {
        for (workload, places) in groups {
            for (repetition, &i) in (1..).zip(places) {
                let cell = cells.get(i).map_or("", String::as_str);
                if cell.is_empty() || cell == "-" {
                    continue;
                }
                let value = place
                    .number(cell)
                    .filter(|v| SCORES.contains(v))
                    .ok_or_else(|| place.bad(*line, cell, "a score above 0"))?;
                let workload = Some(workload.clone()).filter(|w| !w.is_empty());
                all.push(typed(&cells[0], workload, value, repetition));
            }
        }
    }
    Ok(all)
}

/// Units of which less is better: times and energies.
pub(crate) fn usual_direction(unit: &str) -> Direction {
    let unit = unit.trim().to_ascii_lowercase();
    let less = [
        "s", "ms", "us", "sec", "second", "seconds", "min", "minute", "minutes", "h", "hour",
        "hours", "j", "joule", "joules", "wh", "kwh", "w", "watt", "watts",
    ];
    if less.contains(&unit.as_str()) || settlepoint_compare::level::is_level_unit(&unit) {
        Direction::Lower
    } else {
        Direction::Higher
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbered_columns_are_repetitions() {
        let text = b"variant,e1,t1,e2,t2,e3,t3\nplain,1,10,2,20,3,30\ntuned,4,40,5,50,6,60\n";
        let scores = read(text, "wide.csv").unwrap();
        assert_eq!(scores.len(), 12);
        let last = scores.last().unwrap();
        assert_eq!(
            (last.setting.as_str(), last.workload.as_deref()),
            ("tuned", Some("t"))
        );
        assert_eq!((last.repetition, last.value), (Some(3), 60.0));
    }

    #[test]
    fn rows_without_a_header_are_repetitions() {
        let text =
            b"plain ; 1.5 ; 0.0 ;  2.5 \nplain ; 1.6 ; 0.0 ;  2.6 \nother ; 1.7 ; 0.0 ;  2.7 \n";
        let scores = read(text, "long.csv").unwrap();
        assert_eq!(scores.len(), 6);
        assert_eq!(scores[2].repetition, Some(2));
        assert_eq!(scores[1].workload.as_deref(), Some("column 4"));
    }

    #[test]
    fn the_shapes_of_the_notebook_still_read() {
        let long = read(b"setting,workload,score\na,job,3\nb,job,4\n", "s.csv").unwrap();
        assert_eq!(long.len(), 2);
        let wide = read(b"a,b\n1,2\n3,4\n", "s.csv");
        assert!(wide.is_err() || wide.unwrap().len() == 4);
        let wide = read(b"workload,all open,125 W\njob,2,3\njob,4,5\n", "s.csv").unwrap();
        assert_eq!(wide.len(), 4);
    }

    #[test]
    fn a_bad_cell_names_its_line() {
        let error = read(b"v,t1,t2,t3\na,1,x,3\n", "s.csv").unwrap_err();
        assert!(
            error.message.contains("line 2") && error.message.contains('x'),
            "{error}"
        );
    }

    #[test]
    fn times_energies_and_levels_are_better_small() {
        assert_eq!(usual_direction("s"), Direction::Lower);
        assert_eq!(usual_direction("dB(A)"), Direction::Lower);
        assert_eq!(usual_direction("tracks a minute"), Direction::Higher);
    }
}
