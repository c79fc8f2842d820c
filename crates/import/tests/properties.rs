//! What holds for any log: writing and reading back, shifts of time, accounts that add up.

#![expect(clippy::unwrap_used, reason = "tests")]

use std::fmt::Write as _;

use proptest::prelude::*;
use settlepoint_domain::Role;
use settlepoint_import::{ImportOptions, Imported, import};

/// Rows of a log: step in ms, temperature and power, each perhaps missing.
type Row = (u32, Option<f64>, Option<f64>);

fn rows() -> impl Strategy<Value = Vec<Row>> {
    let temperature = proptest::option::weighted(0.9, 20.0..99.0_f64);
    let power = proptest::option::weighted(0.9, 1.0..250.0_f64);
    // Three rows at least: with fewer there is nothing by which to tell a format.
    proptest::collection::vec((1_u32..5000, temperature, power), 3..60)
}

/// Ways of writing one and the same log.
#[derive(Clone, Debug)]
struct Dialect {
    delimiter: char,
    decimal_comma: bool,
    end: &'static str,
    quoted: bool,
    missing: &'static str,
}

fn dialects() -> impl Strategy<Value = Dialect> {
    (
        prop::sample::select(vec![',', ';', '\t', '|']),
        any::<bool>(),
        prop::sample::select(vec!["\n", "\r\n", "\r"]),
        any::<bool>(),
        prop::sample::select(vec!["", "-", "N/A", "nan"]),
    )
        .prop_map(|(delimiter, comma, end, quoted, missing)| Dialect {
            delimiter,
            decimal_comma: comma && (delimiter != ',' || quoted),
            end,
            quoted,
            missing,
        })
}

fn write(rows: &[Row], dialect: &Dialect, start_ms: u64) -> String {
    let cell = |text: String| {
        let text = if dialect.decimal_comma {
            text.replace('.', ",")
        } else {
            text
        };
        if dialect.quoted {
            format!("\"{text}\"")
        } else {
            text
        }
    };
    let number = |value: Option<f64>| {
        // The shortest digits that give the same double, with a fraction so that the mark shows.
        value.map_or_else(
            || cell(dialect.missing.to_owned()),
            |v| cell(format!("{v:?}")),
        )
    };
    let d = dialect.delimiter;
    let mut text = format!(
        "time (ms){d}CPU temperature (°C){d}CPU power (W){}",
        dialect.end
    );
    let mut time = start_ms;
    for (step, temperature, power) in rows {
        time += u64::from(*step);
        let (temperature, power) = (number(*temperature), number(*power));
        write!(
            text,
            "{}{d}{temperature}{d}{power}{}",
            cell(time.to_string()),
            dialect.end
        )
        .unwrap();
    }
    text
}

fn read(text: &str) -> Imported {
    import(text.as_bytes(), &ImportOptions::default(), &mut |_, _| {}).unwrap()
}

fn adds_up(imported: &Imported) -> bool {
    let skipped: u64 = imported.rows.skipped.iter().map(|s| s.count).sum();
    imported.rows.read == imported.rows.kept + skipped
}

/// Whether a column of the log holds these values, bit for bit, NaN where missing.
fn same(imported: &Imported, role: Role, wanted: &[Option<f64>]) -> bool {
    let Some(channel) = imported.log.channel(role) else {
        return wanted.iter().all(Option::is_none);
    };
    channel.values.len() == wanted.len()
        && (0..wanted.len()).all(|row| channel.value(row) == wanted[row])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn reading_gives_back_what_was_written(rows in rows(), dialect in dialects()) {
        let temperatures: Vec<_> = rows.iter().map(|r| r.1).collect();
        let powers: Vec<_> = rows.iter().map(|r| r.2).collect();
        // A column without a single value has no kind.
        prop_assume!(temperatures.iter().any(Option::is_some) && powers.iter().any(Option::is_some));
        let imported = read(&write(&rows, &dialect, 0));
        prop_assert!(adds_up(&imported));
        prop_assert_eq!(imported.rows.kept, rows.len() as u64);
        prop_assert!(same(&imported, Role::Temperature, &temperatures), "{:?}", imported.log);
        prop_assert!(same(&imported, Role::Power, &powers), "{:?}", imported.log);
        let mut time_ms = 0_u32;
        for (row, (step, _, _)) in rows.iter().enumerate() {
            time_ms += if row == 0 { 0 } else { *step };
            // Whole milliseconds, one rounding when they become seconds.
            let wanted = f64::from(time_ms / 1000) + f64::from(time_ms % 1000) / 1000.0;
            prop_assert!((imported.log.time_s()[row] - wanted).abs() <= wanted * 3e-16);
        }
    }

    #[test]
    fn shifting_time_changes_nothing(rows in rows(), shift_ms in 0_u64..4_000_000_000) {
        let plain = Dialect { delimiter: ',', decimal_comma: false, end: "\n", quoted: false, missing: "" };
        let first = read(&write(&rows, &plain, 0));
        let second = read(&write(&rows, &plain, shift_ms));
        prop_assert_eq!(first.log.time_s(), second.log.time_s());
        prop_assert_eq!(&first.rows, &second.rows);
        let of = |i: &Imported| i.log.channels().iter().map(|c| (c.role, c.mean())).collect::<Vec<_>>();
        prop_assert_eq!(of(&first), of(&second));
    }

    #[test]
    fn the_account_adds_up_whatever_lines_stand_between(
        rows in rows(),
        noise in proptest::collection::vec((0_usize..60, "[ -~\\x00]{0,30}"), 0..12),
    ) {
        let plain = Dialect { delimiter: ',', decimal_comma: false, end: "\n", quoted: false, missing: "" };
        let text = write(&rows, &plain, 0);
        let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
        for (at, line) in noise {
            lines.insert(1 + at % lines.len(), line);
        }
        // Whatever comes of it, no panic, and every line has its place.
        if let Ok(imported) = import((lines.join("\n") + "\n").as_bytes(), &ImportOptions::default(), &mut |_, _| {}) {
            prop_assert!(adds_up(&imported));
            prop_assert!(imported.rows.read >= lines.len() as u64);
        }
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        if let Ok(imported) = import(&bytes, &ImportOptions::default(), &mut |_, _| {}) {
            prop_assert!(adds_up(&imported));
        }
    }
}
