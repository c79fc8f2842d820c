//! Logs as machines and people write them, one peculiarity a test. All texts are made up here.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::float_cmp,
    reason = "tests; values are exact"
)]

use std::fmt::Write as _;

use settlepoint_domain::{Averaging, Channel, Role, Unit, Zone};
use settlepoint_import::{
    ChannelOverride, DayOrder, Delimiter, Encoding, ImportError, ImportOptions, Imported, LineEnd,
    Recipe, SkipReason, import,
};

fn read_with(text: impl AsRef<[u8]>, options: &ImportOptions) -> Imported {
    let imported = import(text.as_ref(), options, &mut |_, _| {}).unwrap();
    let skipped: u64 = imported.rows.skipped.iter().map(|s| s.count).sum();
    assert_eq!(
        imported.rows.read,
        imported.rows.kept + skipped,
        "{:?}",
        imported.rows
    );
    imported
}

fn read(text: impl AsRef<[u8]>) -> Imported {
    read_with(text, &ImportOptions::default())
}

fn stating(overrides: &[&str]) -> ImportOptions {
    ImportOptions {
        overrides: overrides.iter().map(|o| o.parse().unwrap()).collect(),
        ..ImportOptions::default()
    }
}

fn channel(imported: &Imported, role: Role) -> &Channel {
    imported
        .log
        .channel(role)
        .unwrap_or_else(|| panic!("no {role} in {:?}", imported.format.columns))
}

fn values(imported: &Imported, role: Role) -> Vec<f64> {
    channel(imported, role).values.clone()
}

fn skipped(imported: &Imported, reason: SkipReason) -> u64 {
    imported
        .rows
        .skipped
        .iter()
        .find(|s| s.reason == reason)
        .map_or(0, |s| s.count)
}

fn finds(imported: &Imported, rule: &str) -> bool {
    imported.findings.iter().any(|f| f.rule == rule)
}

fn asks(imported: &Imported, about: &str) -> bool {
    imported.questions.iter().any(|q| q.about.contains(about))
}

const PLAIN: &str = "time_s,CPU temp (°C),CPU power (W)\n0,40.5,10\n1,41.5,20\n2,42.5,30\n";

#[test]
fn every_delimiter_gives_the_same_log() {
    let plain = read(PLAIN);
    for (mark, delimiter) in [
        (";", b';'),
        ("\t", b'\t'),
        ("|", b'|'),
        (" ; ", b';'),
        (", ", b','),
    ] {
        let other = read(PLAIN.replace(',', mark));
        assert_eq!(other.format.delimiter, Delimiter::Byte(delimiter));
        assert_eq!(other.log, plain.log, "{mark:?}");
    }
    let blanks = read(
        "time_s  cpu_temp_c  cpu_power_w\n  0   40.5   10\n  1   41.5   20\n  2   42.5   30\n",
    );
    assert_eq!(blanks.format.delimiter, Delimiter::Blanks);
    assert_eq!(values(&blanks, Role::Temperature), [40.5, 41.5, 42.5]);
}

#[test]
fn every_encoding_and_line_end_gives_the_same_log() {
    let plain = read(PLAIN);
    let utf16 = |encode: fn(u16) -> [u8; 2], mark: &str| -> Vec<u8> {
        format!("{mark}{PLAIN}")
            .encode_utf16()
            .flat_map(encode)
            .collect()
    };
    let latin: Vec<u8> = PLAIN
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let all: [(Vec<u8>, Encoding, LineEnd); 8] = [
        (
            format!("\u{feff}{PLAIN}").into(),
            Encoding::Utf8,
            LineEnd::Lf,
        ),
        (
            utf16(u16::to_le_bytes, "\u{feff}"),
            Encoding::Utf16Le,
            LineEnd::Lf,
        ),
        (
            utf16(u16::to_be_bytes, "\u{feff}"),
            Encoding::Utf16Be,
            LineEnd::Lf,
        ),
        (utf16(u16::to_le_bytes, ""), Encoding::Utf16Le, LineEnd::Lf),
        (latin, Encoding::Windows1252, LineEnd::Lf),
        (
            PLAIN.replace('\n', "\r\n").into(),
            Encoding::Utf8,
            LineEnd::CrLf,
        ),
        (
            PLAIN.replace('\n', "\r").into(),
            Encoding::Utf8,
            LineEnd::Cr,
        ),
        (PLAIN.trim_end().into(), Encoding::Utf8, LineEnd::Lf),
    ];
    for (bytes, encoding, line_end) in all {
        let other = read(bytes);
        assert_eq!(
            (other.format.encoding, other.format.line_end),
            (encoding, line_end)
        );
        assert_eq!(other.log, plain.log, "{encoding:?} {line_end:?}");
        assert_eq!(other.rows.read, 4);
    }
}

#[test]
fn quotes_decimal_commas_and_thousands_marks() {
    let log = read(
        "\"Zeit\";\"Temperatur (°C)\";\"Drehzahl (U/min)\"\n\"10:00:00\";\"45,5\";\"1.234,0\"\n\"10:00:01\";\"45,7\";\"1.301,5\"\n",
    );
    assert_eq!(values(&log, Role::Temperature), [45.5, 45.7]);
    assert_eq!(values(&log, Role::FanSpeed), [1234.0, 1301.5]);
    let english = read(
        "time,'fan (rpm)','temp, package (C)'\n0,\"1,234\",'45.5'\n1,\"1,301\",'45.6'\n2,998,'45.7'\n",
    );
    assert_eq!(values(&english, Role::FanSpeed), [1234.0, 1301.0, 998.0]);
    assert_eq!(
        channel(&english, Role::Temperature).column,
        "temp, package (C)"
    );
    let quoted_decimal =
        read("t_s,power_w\n\"0,5\",\"12,25\"\n\"1,5\",\"13,75\"\n\"2,5\",\"14,5\"\n");
    assert_eq!(values(&quoted_decimal, Role::Power), [12.25, 13.75, 14.5]);
    let narrow = read("t_s;power (mW)\n0;12\u{a0}500,5\n1;13\u{202f}000\n2;9'500\n");
    assert_eq!(values(&narrow, Role::Power), [12.5005, 13.0, 9.5]);
}

#[test]
fn an_open_comma_is_asked_about() {
    let log = read("t_s;power_w\n0;1,234\n1;1,240\n2;1,251\n");
    assert!(asks(&log, "decimal mark"));
    assert_eq!(values(&log, Role::Power)[0], 1.234);
}

#[test]
fn preamble_comments_units_row_repeated_header_summary_and_text() {
    let text = "Recorded on the bench\nSerial,none\n\n# a remark\ntime,power,temperature\n[s],[W],[degF]\n0,10,212\n\
                run two starts\n1,20,213.8\ntime,power,temperature\n2,30,215.6\n\nMin,10,212\nAverage:,20,213.8\n3 rows written\n";
    let log = read(text);
    assert_eq!(log.rows.kept, 3);
    assert_eq!(log.rows.read, 15);
    for (reason, count) in [
        (SkipReason::Preamble, 2),
        (SkipReason::Blank, 2),
        (SkipReason::Comment, 1),
        (SkipReason::Header, 1),
        (SkipReason::UnitsRow, 1),
        (SkipReason::RepeatedHeader, 1),
        (SkipReason::SummaryRow, 2),
        (SkipReason::TextLine, 2),
    ] {
        assert_eq!(skipped(&log, reason), count, "{reason:?} {:?}", log.rows);
    }
    let temps = values(&log, Role::Temperature);
    assert!((temps[1] - 101.0).abs() < 1e-12 && temps[0] == 100.0);
    assert!(channel(&log, Role::Power).reason.contains("units row"));
}

#[test]
fn header_behind_a_hash_and_split_otherwise_than_the_body() {
    let log = read("# time_s, cpu_power_w, cpu_temp_c\n0 10 40\n1 20 41\n2 30 42\n");
    assert_eq!(values(&log, Role::Power), [10.0, 20.0, 30.0]);
    let tabs =
        read("#Time (s)\tCPU Power (W)\tCPU Temperature (C)\n0 10  40 \n1 20  41 \n2 30  42 \n");
    assert_eq!(values(&tabs, Role::Temperature), [40.0, 41.0, 42.0]);
}

#[test]
fn units_in_cells_with_changing_prefix() {
    let log = read(
        "time,clock,power,temp\n0,800 MHz,950 mW,45 °C\n1,1.2 GHz,1.5 W,46 °C\n2,4.7 GHz,12 W,47 °C\n",
    );
    assert_eq!(values(&log, Role::Clock), [800.0, 1200.0, 4700.0]);
    assert_eq!(values(&log, Role::Power), [0.95, 1.5, 12.0]);
    assert_eq!(values(&log, Role::Temperature), [45.0, 46.0, 47.0]);
}

#[test]
fn missing_cells_are_missing_and_the_row_counts() {
    let log =
        read("time_s,temp_c,power_w\n0,N/A,10\n1,-,20\n2,,30\n3,nan,40\n4,45.5,null\n5,46,60\n");
    assert_eq!(log.rows.kept, 6);
    assert_eq!(channel(&log, Role::Temperature).missing(), 4);
    assert_eq!(channel(&log, Role::Power).missing(), 1);
    assert!(!finds(&log, "unreadable_cells"));
}

#[test]
fn an_unreadable_cell_is_reported_with_line_column_and_value() {
    let log = read("time_s,temp_c,power_w\n0,45,10\n1,4x,20\n2,46,30\n3,46,31\n");
    let found = log
        .findings
        .iter()
        .find(|f| f.rule == "unreadable_cells")
        .unwrap();
    assert!(found.evidence.contains("column 2") && found.evidence.contains("'4x' at line 3"));
    assert_eq!(channel(&log, Role::Temperature).missing(), 1);
}

#[test]
fn sentinels_are_asked_about_and_not_believed() {
    for bad in [
        "-273", "-273.15", "-200", "-999", "0", "0.0", "255", "65535",
    ] {
        let log = read(format!(
            "time_s,temp_c,power_w\n0,45,10\n1,{bad},20\n2,46,30\n3,47,31\n"
        ));
        assert_eq!(channel(&log, Role::Temperature).missing(), 1, "{bad}");
        assert!(
            finds(&log, "sentinel_values") && asks(&log, "is a reading"),
            "{bad}"
        );
    }
    let dead = read("time_s,cpu_temp_c,board_temp_c\n0,0.0,30\n1,0.0,31\n2,0.0,31\n");
    assert!(finds(&dead, "dead_sensor"));
    assert_eq!(channel(&dead, Role::Temperature).column, "board_temp_c");
    let cold = read("time_s,ambient_c,power_w\n0,1.5,1\n1,0.0,1\n2,-1,1\n");
    assert_eq!(channel(&cold, Role::Room).missing(), 0);
}

#[test]
fn nul_bytes_after_a_power_loss() {
    let mut bytes = b"time_s,temp_c,power_w\n0,45,10\n1,45.".to_vec();
    bytes.extend([0; 700]);
    bytes.extend(b"3,46,30\n4,47,31\n");
    bytes.extend([0; 33]);
    let log = read(&bytes);
    assert_eq!(log.log.time_s(), [0.0, 3.0, 4.0]);
    assert!(skipped(&log, SkipReason::NulBytes) >= 1);
}

/// Bytes that look random (the generator of D. H. Lehmer with the constants of MINSTD).
fn random_bytes(count: usize) -> Vec<u8> {
    let mut state = 1_u64;
    (0..count)
        .map(|_| {
            state = state * 48_271 % 0x7fff_ffff;
            u8::try_from((state >> 8) & 0xff).unwrap()
        })
        .collect()
}

#[test]
fn binary_data_are_refused_and_damaged_text_is_read() {
    let refused = |bytes: &[u8]| {
        let error = import(bytes, &ImportOptions::default(), &mut |_, _| {}).unwrap_err();
        assert!(matches!(error, ImportError::NotText { .. }), "{error}");
        error.to_string()
    };
    for count in [300, 5_000, 200_000] {
        let text = refused(&random_bytes(count));
        assert!(text.contains("binary") && text.contains("delimited text"));
    }
    let utf16_mark = [&[0xff, 0xfe][..], &random_bytes(5_000)].concat();
    refused(&utf16_mark);
    refused(&[&b"\x1f\x8b"[..], &random_bytes(60)].concat());
    refused(&[&b"PK\x03\x04"[..], b"log.csv,1,2\n3,4\n"].concat());
    // Numbers of two bytes, as sound recordings hold them.
    let samples: Vec<u8> = (0..4_000_i16)
        .flat_map(|i| (i.wrapping_mul(37)).to_le_bytes())
        .collect();
    refused(&samples);
    // A log that ends in NUL bytes and rubbish is read as far as it goes.
    let mut damaged = b"time_s,temp_c,power_w\n".to_vec();
    for t in 0..200 {
        damaged.extend(format!("{t},45.{},10.5\n", t % 10).bytes());
    }
    damaged.extend([0; 4_000]);
    damaged.extend(random_bytes(64));
    assert!(read(&damaged).rows.kept >= 200);
}

#[test]
fn a_time_that_does_not_rise_is_not_dropped_in_silence() {
    let text = |time: &dyn Fn(u32) -> u32| {
        (0..40).fold("time_s,temp_c,power_w\n".to_owned(), |mut text, row| {
            let _ = writeln!(text, "{},45.{},10.{}", time(row), row % 7, row % 9);
            text
        })
    };
    let shuffled = read(text(&|row| row * 17 % 40));
    assert!(finds(&shuffled, "time_not_used"));
    let finding = shuffled.findings.iter().find(|f| f.rule == "time_not_used");
    assert!(finding.unwrap().evidence.contains("'time_s'"));
    for kept in [
        read(text(&|row| row % 3)),
        read(text(&|_| 5)),
        read(text(&|row| 40 - row + 30 * (row / 20))),
    ] {
        let told = [
            "time_not_used",
            "time_steps_back",
            "newest_first",
            "rows_out_of_order",
        ];
        assert!(
            told.iter().any(|rule| finds(&kept, rule)),
            "{:?}",
            kept.findings
        );
    }
    let rising = read(text(&|row| row));
    assert!(rising.findings.is_empty(), "{:?}", rising.findings);
    // Where stamps give the time, a column of durations is no time that was left out.
    let stamped = read(
        "stamp,frame_time_ms,power_w\n2030-05-01 10:00:00,7.1,20\n2030-05-01 10:00:01,6.9,21\n\
         2030-05-01 10:00:02,7.3,22\n",
    );
    assert!(!finds(&stamped, "time_not_used"));
}

#[test]
fn one_is_told_in_the_singular() {
    let log = read("time_s,temp_c,power_w\n0,45,10\n1,broken,20\n1,46,30\n2,47,31\n9,48,40\n");
    let evidence: Vec<&str> = log.findings.iter().map(|f| f.evidence.as_str()).collect();
    let all = evidence.join("; ");
    assert!(
        all.contains("1 cell holds no reading and counts as missing"),
        "{all}"
    );
    assert!(
        all.contains("1 row has the time of the row before"),
        "{all}"
    );
    assert!(all.contains("1 step is over five times"), "{all}");
    assert!(!all.contains("(s)"), "{all}");
}

#[test]
fn a_last_line_cut_short() {
    let log = read("time_s,temp_c,power_w\n0,45,10\n1,45,11\n2,46,12\n3,4");
    assert_eq!((log.rows.kept, skipped(&log, SkipReason::CutShort)), (3, 1));
    assert_eq!(
        log.rows
            .skipped
            .iter()
            .find(|s| s.reason == SkipReason::CutShort)
            .unwrap()
            .lines,
        [5]
    );
    let time = read("time,temp_c\n2025-01-02 10:00:00,45\n2025-01-02 10:00:01,45\n2025-01-02 10:0");
    assert_eq!(skipped(&time, SkipReason::CutShort), 1, "{:?}", time.rows);
}

#[test]
fn duplicate_names_can_be_told_by_number() {
    let log = read_with(
        "time_s,temp,temp\n0,30,50\n1,31,51\n2,31,52\n",
        &stating(&["temperature=col 3"]),
    );
    assert_eq!(channel(&log, Role::Temperature).column_number, 3);
    let by_name = read_with(
        "time_s,temp,temp\n0,30,50\n1,31,51\n",
        &stating(&["temperature=temp"]),
    );
    assert!(asks(&by_name, "which column 'temp' is meant"));
}

#[test]
fn epochs_in_every_unit() {
    for (digits, code) in [(0, "s"), (3, "ms"), (6, "us"), (9, "ns"), (12, "ps")] {
        let zeros = "0".repeat(digits);
        let text = format!(
            "time,power_w\n1700000000{zeros},1\n1700000001{zeros},2\n1700000003{zeros},3\n"
        );
        let log = read(text);
        assert_eq!(log.log.time_s(), [0.0, 1.0, 3.0], "{code}");
        assert_eq!(log.span_s, Some(3.0));
        assert_eq!(
            log.log.start().unwrap().unix_ns,
            1_700_000_000_000_000_000,
            "{code}"
        );
    }
    let exact = read("time,power_w\n1682912554273107499,1\n1682919213563088887,2\n");
    assert_eq!(exact.span_s, Some(6_659.289_981_388));
}

#[test]
fn stamps_of_many_forms() {
    for (first, second) in [
        ("2025-06-03T13:04:15.250Z", "2025-06-03T13:04:17.750Z"),
        ("2025-06-03 13:04:15,250", "2025-06-03 13:04:17,750"),
        (
            "2025-06-03T13:04:15.25+02:00",
            "2025-06-03T13:04:17.75+02:00",
        ),
        (
            "Tue Jun  3 01:04:15.25 PM CEST 2025",
            "Tue Jun  3 01:04:17.75 PM CEST 2025",
        ),
        ("3-Jun-25 13:04:15.25", "3-Jun-25 13:04:17.75"),
        (
            "2025年6月3日 13时04分15.25秒",
            "2025年6月3日 13时04分17.75秒",
        ),
        ("25.06.2025 13:04:15.25", "25.06.2025 13:04:17.75"),
        ("06/25/2025 1:04:15.25 PM", "06/25/2025 1:04:17.75 PM"),
    ] {
        let log = read(format!("time;power_w\n{first};1\n{second};2\n"));
        assert_eq!(log.span_s, Some(2.5), "{first}");
        assert!(
            log.questions.iter().all(|q| !q.about.contains("month")),
            "{first}"
        );
    }
    let zoned = read("time,power_w\n2025-06-03T13:04:15+02:00,1\n2025-06-03T13:04:16+02:00,2\n");
    assert_eq!(
        zoned.log.start().unwrap().zone,
        Zone::Known("+02:00".into())
    );
    let local = read("time,power_w\n2025-06-03 13:04:15,1\n2025-06-03 13:04:16,2\n");
    assert_eq!(local.log.start().unwrap().zone, Zone::Unknown);
}

#[test]
fn date_and_time_in_two_columns_and_time_first() {
    for text in [
        "Date,Time,power_w\n2025-06-03,23:59:59,1\n2025-06-04,00:00:01,2\n",
        "Time,Date,power_w\n23:59:59,03.06.2025,1\n00:00:01,04.06.2025,2\n",
        "Date Time power_w\n2025-06-03 23:59:59 1\n2025-06-04 00:00:01 2\n",
        "Timestamp power_w\n2025-06-03 23:59:59 1\n2025-06-04 00:00:01 2\n",
        "Time;power_w\n23:59:59 2025-06-03;1\n00:00:01 2025-06-04;2\n",
        "Date;Time;power_w\n3/6/2025;11:59:59 PM;1\n4/6/2025;12:00:01 AM;2\n",
    ] {
        let log = read(text);
        assert_eq!(log.span_s, Some(2.0), "{text}");
        assert_eq!(values(&log, Role::Power), [1.0, 2.0], "{text}");
    }
}

#[test]
fn the_order_of_day_and_month_keeps_time_rising() {
    let day =
        read("time;power_w\n30/01/2025 23:59:58;1\n31/01/2025 00:00:01;2\n01/02/2025 00:00:02;3\n");
    assert_eq!(day.span_s, Some(86_404.0));
    // Read day first, this would leap by a month.
    let month =
        read("time;power_w\n01/02/2025 23:59:58;1\n01/03/2025 00:00:01;2\n01/03/2025 00:00:02;3\n");
    assert_eq!(month.span_s, Some(4.0));
    let open = read("time;power_w\n03/04/2025 10:00:00;1\n03/04/2025 10:00:01;2\n");
    assert!(asks(&open, "day and month"));
    let stated = ImportOptions {
        day_order: Some(DayOrder::MonthFirst),
        ..ImportOptions::default()
    };
    let stated = read_with(
        "time;power_w\n03/04/2025 10:00:00;1\n03/04/2025 10:00:01;2\n",
        &stated,
    );
    assert!(!asks(&stated, "day and month"));
    // 2025-03-04T10:00:00Z by `date -u -d`.
    assert_eq!(
        stated.log.start().unwrap().unix_ns,
        1_741_082_400_000_000_000
    );
}

#[test]
fn time_of_day_passes_midnight() {
    let log = read("time,power_w\n23:59:58,1\n23:59:59,2\n00:00:00,3\n00:00:01,4\n");
    assert_eq!(log.log.time_s(), [0.0, 1.0, 2.0, 3.0]);
    assert!(finds(&log, "midnight_passed"));
    let half = read("time,power_w\n11:59:58 PM,1\n11:59:59 PM,2\n12:00:00 AM,3\n12:00:01 AM,4\n");
    assert_eq!(half.span_s, Some(3.0));
}

#[test]
fn elapsed_time_with_colons() {
    let log = read("elapsed;power_w\n0:00:00;1\n0:59:59.5;2\n25:00:00;3\n");
    assert_eq!(log.log.time_s(), [0.0, 3599.5, 90_000.0]);
    let minutes = read("elapsed;power_w\n00:00;1\n00:01;2\n00:02;3\n");
    assert_eq!(minutes.span_s, Some(2.0));
}

#[test]
fn bare_counters_and_no_time_at_all() {
    let text = "sample,temp_c,power_w\n1,40,10\n2,41,11\n3,42,12\n";
    let assumed = read(text);
    assert!(!assumed.log.time_known() && asks(&assumed, "unit of the time column"));
    let stated = read_with(
        text,
        &ImportOptions {
            interval_s: Some(0.5),
            ..ImportOptions::default()
        },
    );
    assert_eq!((stated.span_s, stated.log.time_known()), (Some(1.0), true));
    let none = read("temp_c,power_w\n40,10\n42,11\n41,12\n");
    assert!(!none.log.time_known() && none.span_s.is_none() && asks(&none, "seconds between rows"));
    let given = read_with(
        "temp_c,power_w\n40,10\n42,11\n41,12\n",
        &ImportOptions {
            interval_s: Some(2.0),
            ..ImportOptions::default()
        },
    );
    assert_eq!(given.span_s, Some(4.0));
    let bad = import(
        text.as_bytes(),
        &ImportOptions {
            interval_s: Some(-1.0),
            ..ImportOptions::default()
        },
        &mut |_, _| {},
    );
    assert!(bad.unwrap_err().to_string().contains("above 0"));
}

#[test]
fn newest_first_is_turned_round() {
    let log =
        read("time,power_w\n2025-01-01 10:00:03,4\n2025-01-01 10:00:02,3\n2025-01-01 10:00:00,1\n");
    assert_eq!(log.log.time_s(), [0.0, 2.0, 3.0]);
    assert_eq!(values(&log, Role::Power), [1.0, 3.0, 4.0]);
    assert!(finds(&log, "newest_first"));
}

#[test]
fn gaps_duplicates_and_steps_back_are_told_and_survived() {
    let log = read("time_s,power_w\n0,1\n1,2\n1,3\n2,4\n3,5\n60,6\n61,7\n10,8\n11,9\n");
    for rule in ["repeated_times", "gaps", "time_steps_back"] {
        assert!(finds(&log, rule), "{rule}");
    }
    assert_eq!(log.span_s, Some(11.0));
    assert_eq!(log.log.time_s().last(), Some(&63.0));
    let back = log
        .findings
        .iter()
        .find(|f| f.rule == "time_steps_back")
        .unwrap();
    assert!(back.evidence.contains("line 9"), "{}", back.evidence);
}

#[test]
fn the_end_of_summer_time_is_named() {
    let rows = [50, 55, 0, 5, 10].map(|minute| format!("2025-10-26 02:{minute:02}:00,5\n"));
    let text = format!("time,power_w\n{}", rows.concat());
    assert!(finds(&read(text), "clock_one_hour_back"));
    // With the zone written there is nothing to survive.
    let zoned = read(
        "time,power_w\n2025-10-26 02:59:59 CEST,5\n2025-10-26 02:00:00 CET,6\n2025-10-26 02:00:01 CET,6\n",
    );
    assert_eq!(zoned.span_s, Some(2.0));
    assert!(!finds(&zoned, "clock_one_hour_back"));
}

#[test]
fn long_form_is_pivoted() {
    let text = "time,device,metric,value,unit\n\
        0,node-a,cpu_temp,45,degC\n0,node-a,cpu_power,10,W\n0,node-b,cpu_temp,55,degC\n0,node-b,cpu_power,30,W\n\
        1,node-a,cpu_temp,46,degC\n1,node-a,cpu_power,11,W\n1,node-b,cpu_temp,56,degC\n1,node-b,cpu_power,31,W\n";
    let log = read(text);
    assert!(log.format.long_form);
    assert_eq!(log.log.time_s(), [0.0, 1.0]);
    assert_eq!(values(&log, Role::Temperature), [45.0, 46.0]);
    assert_eq!(values(&log, Role::Power), [10.0, 11.0]);
    assert!(asks(&log, "which device"));
    assert_eq!(
        (log.rows.kept, skipped(&log, SkipReason::OtherDevice)),
        (4, 4)
    );
    let other = read_with(
        text,
        &ImportOptions {
            device: Some("node-b".into()),
            ..ImportOptions::default()
        },
    );
    assert_eq!(values(&other, Role::Power), [30.0, 31.0]);
    let wrong = import(
        text.as_bytes(),
        &ImportOptions {
            device: Some("node-c".into()),
            ..ImportOptions::default()
        },
        &mut |_, _| {},
    );
    assert!(wrong.is_err());
}

#[test]
fn long_form_in_blocks_one_metric_after_the_other() {
    let text = "time,metric,value\n0,cpu temp (°C),45\n1,cpu temp (°C),46\n2,cpu temp (°C),47\n\
                0,cpu power (W),10\n1,cpu power (W),11\n2,cpu power (W),12\n";
    let log = read(text);
    assert_eq!(values(&log, Role::Temperature), [45.0, 46.0, 47.0]);
    assert_eq!(values(&log, Role::Power), [10.0, 11.0, 12.0]);
    assert_eq!(log.log.time_s(), [0.0, 1.0, 2.0]);
}

#[test]
fn devices_in_rows_are_told_apart() {
    let log = read(
        "time_s,gpu,temp_c,power_w\n0,0,40,100\n0,1,50,200\n1,0,41,101\n1,1,51,201\n2,0,42,102\n2,1,52,202\n",
    );
    assert_eq!(log.devices, ["0", "1"]);
    assert_eq!(values(&log, Role::Power), [100.0, 101.0, 102.0]);
    assert_eq!(skipped(&log, SkipReason::OtherDevice), 3);
}

#[test]
fn steps_and_levels_in_blocks_are_no_devices() {
    let step_of = |name: &str, of_block: &dyn Fn(u32) -> u32| {
        (0..300).fold(format!("time_s,{name},power_w,temp_c\n"), |mut text, t| {
            let _ = writeln!(text, "{t},{},{}.5,4{}.5", of_block(t / 100), 50 + t, t % 10);
            text
        })
    };
    for name in ["step", "run", "cpu", "index", "core"] {
        for first in [0, 1, 15] {
            let log = read(step_of(name, &|block| first + block));
            assert_eq!((log.rows.kept, log.devices.len()), (300, 0), "{name}");
            let column = log.log.channels().iter().find(|c| c.column == name);
            assert_eq!(column.map(Channel::missing), Some(0), "{name}");
        }
    }
    // Blocks that come back (1 1 … 2 2 … 1 1 …) are no devices either.
    let log = read(step_of("step", &|block| 1 + block % 2));
    assert_eq!((log.rows.kept, log.devices.len()), (300, 0));
}

#[test]
fn headers_in_many_languages() {
    for (header, roles) in [
        (
            "Zeit (s);Prozessortemperatur (°C);Leistungsaufnahme (W);Lüfterdrehzahl (U/min);Raumtemperatur (°C)",
            [Role::Temperature, Role::Power, Role::FanSpeed, Role::Room],
        ),
        (
            "Temps (s);Température du processeur;Puissance;Ventilateur (tr/min);Température ambiante",
            [Role::Temperature, Role::Power, Role::FanSpeed, Role::Room],
        ),
        (
            "Tiempo (s);Temperatura de la CPU;Potencia (W);Ventilador (rpm);Temperatura ambiente",
            [Role::Temperature, Role::Power, Role::FanSpeed, Role::Room],
        ),
        (
            "Tempo (s);Temperatura do processador;Potência;Rotação do ventilador;Temperatura da sala",
            [Role::Temperature, Role::Power, Role::FanSpeed, Role::Room],
        ),
        (
            "Tempo (s);Temperatura processore;Potenza;Ventola (giri/min);Temperatura ambiente",
            [Role::Temperature, Role::Power, Role::FanSpeed, Role::Room],
        ),
        (
            "Время (с);Температура ЦП;Мощность, Вт;Вентилятор, об/мин;Температура в комнате",
            [Role::Temperature, Role::Power, Role::FanSpeed, Role::Room],
        ),
        (
            "时间 (秒);处理器温度;功耗 (瓦);风扇转速;室温",
            [Role::Temperature, Role::Power, Role::FanSpeed, Role::Room],
        ),
        (
            "時間 (秒);CPU温度;消費電力;ファン回転数;室温",
            [Role::Temperature, Role::Power, Role::FanSpeed, Role::Room],
        ),
    ] {
        let log = read(format!(
            "{header}\n0;60,5;80,5;1200;22,5\n1;61,5;81,5;1210;22,5\n2;61,5;81,5;1220;22,6\n"
        ));
        assert_eq!(log.span_s, Some(2.0), "{header}");
        for (role, at) in roles.into_iter().zip(2..) {
            assert_eq!(channel(&log, role).column_number, at, "{header} {role}");
            assert!(!channel(&log, role).reason.is_empty());
        }
    }
}

#[test]
fn energy_counters_become_mean_power_over_a_wrap() {
    // Counter of 2^32 units of 61 µJ, the usual range 262143.328850 J as the Linux kernel's
    // powercap documentation has it.
    let text = "time_s,package_energy_uj\n0,262123328850\n1,262133328850\n2,0\n3,10000000\n";
    let log = read(text);
    let power = channel(&log, Role::Power);
    assert_eq!(
        (power.averaging, power.unit),
        (Averaging::Counter, Unit::Watt)
    );
    assert!(power.values[0].is_nan());
    for watt in &power.values[1..] {
        // The counter's unit, 61 µJ, is lost at a wrap.
        assert!((watt - 10.0).abs() < 1e-4, "{watt}");
    }
    assert!(finds(&log, "energy_counter_wraps"));
}

#[test]
fn values_in_tenths_thousandths_kelvin_and_fahrenheit() {
    for (header, value, celsius) in [
        ("temp (0.1 °C)", "455", 45.5),
        ("temp (m°C)", "45500", 45.5),
        ("temp", "45500", 45.5),
        ("temp (K)", "318.65", 45.5),
        ("temp (°F)", "113.9", 45.5),
        ("temp_mc", "45500", 45.5),
    ] {
        let log = read(format!(
            "time_s,{header},power_w\n0,{value},1\n1,{value},2\n2,{value},3\n"
        ));
        // Rounding of one subtraction near 300.
        assert!(
            (values(&log, Role::Temperature)[0] - celsius).abs() < 1e-12,
            "{header}"
        );
    }
    let doubt = read("time_s,temp,power_w\n0,455,1\n1,456,2\n2,460,3\n");
    assert!(asks(&doubt, "unit of column 'temp'"));
}

#[test]
fn overrides_scale_and_state_units() {
    let text = "t,Heater 1 (%),x\n0,50,113\n1,60,122\n2,70,131\n";
    let log = read_with(
        text,
        &stating(&["power=\"Heater 1 (%)*0.01\"", "temperature=\"col 3@degF\""]),
    );
    assert_eq!(values(&log, Role::Power), [0.5, 0.6, 70.0 * 0.01]);
    assert_eq!(values(&log, Role::Temperature), [45.0, 50.0, 55.0]);
    let error = import(
        text.as_bytes(),
        &stating(&["power=nothing"]),
        &mut |_, _| {},
    )
    .unwrap_err();
    assert!(matches!(error, ImportError::NoSuchColumn { .. }));
    assert!(error.to_string().contains("'Heater 1 (%)'"));
}

#[test]
fn a_recipe_reads_the_next_file_alike() {
    let text = "t,a,b\n0,50,113\n1,60,122\n2,70,131\n";
    let first = read_with(
        text,
        &stating(&["power=a*0.5", "temperature=b@degF", "time=t@ms"]),
    );
    let recipe = Recipe::from_json(&first.recipe.to_json()).unwrap();
    let again = read_with(
        text,
        &ImportOptions {
            recipe: Some(recipe),
            ..ImportOptions::default()
        },
    );
    assert_eq!(again.log, first.log);
    assert_eq!(again.span_s, Some(0.002));
}

#[test]
fn switches_text_and_levels() {
    let log =
        read("time_s,heater,mode,power_w\n0,ON,idle,1\n1,OFF,idle,2\n2,ON,load,3\n3,ON,load,4\n");
    assert_eq!(
        log.channel_by_column("heater").unwrap().values,
        [1.0, 0.0, 1.0, 1.0]
    );
    assert_eq!(
        log.levels("mode").unwrap(),
        [(0, 2, "idle".to_owned()), (2, 4, "load".to_owned())]
    );
    assert_eq!(log.levels("power_w").unwrap().len(), 4);
    assert!(log.levels("absent").is_none());
    assert!(finds(&log, "text_column"));
}

#[test]
fn wide_logs_pick_the_package() {
    let mut header = vec!["Date".to_owned(), "Time".to_owned()];
    header.extend((0..16).map(|i| format!("Core {i} VID [V]")));
    header.extend((0..32).map(|i| format!("Core {i} T{} Clock [MHz]", i % 2)));
    header.push("Bus Clock [MHz]".into());
    header.extend((0..32).map(|i| format!("Core {i} Usage [%]")));
    header.extend((0..16).map(|i| format!("Core {i} [°C]")));
    header.extend(
        [
            "Core Max [°C]",
            "CPU Package [°C]",
            "Chipset [°C]",
            "VRM MOS [°C]",
            "Drive 1 [°C]",
            "Drive 2 [°C]",
            "GPU [°C]",
            "GPU Memory [°C]",
            "DIMM 1 [°C]",
            "Coolant [°C]",
            "Core Distance to limit [°C]",
            "Motherboard [°C]",
            "Battery [°C]",
            "GPU Hot Spot [°C]",
        ]
        .map(str::to_owned),
    );
    header.extend(
        [
            "CPU Package Power [W]",
            "IA Cores Power [W]",
            "GPU Power [W]",
            "DRAM Power [W]",
            "PL1 Power Limit [W]",
            "PL2 Power Limit [W]",
        ]
        .map(str::to_owned),
    );
    header.extend(
        [
            "CPU Fan [RPM]",
            "Chassis Fan 1 [RPM]",
            "Chassis Fan 2 [RPM]",
            "Pump [RPM]",
            "Average Core Clock [MHz]",
            "Total CPU Usage [%]",
        ]
        .map(str::to_owned),
    );
    let filler = 250 - header.len();
    header.extend((0..filler).map(|i| format!("Counter {i} []")));
    assert_eq!(header.len(), 250);
    assert!(header.iter().filter(|h| h.contains("°C")).count() >= 30);
    let mut text = header.join(",") + "\n";
    for row in 0..40 {
        let cells: Vec<String> = (0..250)
            .map(|column| match column {
                0 => "3.6.2025".to_owned(),
                1 => format!("13:00:{row:02}.500"),
                _ => format!("{}.{}", 30 + column % 40, row % 10),
            })
            .collect();
        text.push_str(&cells.join(","));
        text.push('\n');
    }
    let log = read(text);
    assert_eq!(log.rows.kept, 40);
    assert_eq!(log.span_s, Some(39.0));
    for (role, column) in [
        (Role::Temperature, "CPU Package [°C]"),
        (Role::Power, "CPU Package Power [W]"),
        (Role::FanSpeed, "CPU Fan [RPM]"),
        (Role::PumpSpeed, "Pump [RPM]"),
        (Role::Clock, "Average Core Clock [MHz]"),
        (Role::Load, "Total CPU Usage [%]"),
        (Role::Coolant, "Coolant [°C]"),
    ] {
        assert_eq!(channel(&log, role).column, column, "{role}");
    }
    assert!(
        log.log
            .channels()
            .iter()
            .filter(|c| c.role == Role::Limit)
            .all(|c| c.column.contains("imit"))
    );
    assert_eq!(
        log.log
            .channels()
            .iter()
            .filter(|c| c.part == "drive")
            .count(),
        2
    );
}

#[test]
fn power_is_that_of_the_part_whose_temperature_is_used() {
    let rows = "0,150,60,41\n1,151,61,42\n2,152,62,43\n";
    let paired = read(format!(
        "time_s,wall power (W),gpu power (W),gpu temp (°C)\n{rows}"
    ));
    assert_eq!(channel(&paired, Role::Power).column, "gpu power (W)");
    assert!(!finds(&paired, "power_of_another_part"));
    // Nothing better than the wall: taken, and told.
    let other = read(format!(
        "time_s,wall power (W),fan rpm,cpu package (°C)\n{rows}"
    ));
    assert_eq!(channel(&other, Role::Power).column, "wall power (W)");
    let told = other
        .findings
        .iter()
        .find(|f| f.rule == "power_of_another_part");
    assert!(told.unwrap().evidence.contains("belongs to the wall"));
    // What is stated is not doubted.
    let stated = read_with(
        format!("time_s,wall power (W),gpu power (W),gpu temp (°C)\n{rows}"),
        &stating(&["power=wall power (W)"]),
    );
    assert_eq!(channel(&stated, Role::Power).column, "wall power (W)");
    assert!(!finds(&stated, "power_of_another_part"));
}

#[test]
fn wide_logs_without_a_package_ask() {
    let rows: Vec<String> = (0..10)
        .map(|row| format!("{row},4{row},5{row},6{row}\n"))
        .collect();
    let text = format!(
        "time_s,Sensor A [°C],Sensor B [°C],Sensor C [°C]\n{}",
        rows.concat()
    );
    let log = read(text);
    let question = log
        .questions
        .iter()
        .find(|q| q.about.contains("temperature"))
        .unwrap();
    assert_eq!(question.options.len(), 3);
    assert!(question.answer_with.contains("--channel temperature="));
}

#[test]
fn unreadable_files_say_where_and_what_to_do() {
    let message = |bytes: &[u8]| {
        import(bytes, &ImportOptions::default(), &mut |_, _| {})
            .unwrap_err()
            .to_string()
    };
    let empty = message(b"");
    assert!(
        empty.contains("empty") && empty.contains("right file") && !empty.contains("power loss"),
        "{empty}"
    );
    assert!(message(b"\n \n").contains("all 2 lines are blank"));
    assert!(message(b" \n").contains("only line is blank"));
    assert!(message(&[0; 512]).contains("power loss"));
    let prose = message(b"\nDear reader, this\nis not a log\n");
    assert!(
        prose.contains("line 2, column 1") && prose.contains("Dear reader"),
        "{prose}"
    );
    let options = stating(&["time=name"]);
    let text = "name,power_w\na,1\nb,2\nc,3\n";
    let error = import(text.as_bytes(), &options, &mut |_, _| {})
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("line 2, column 1: 'a' is not a time"),
        "{error}"
    );
}

#[test]
fn progress_reaches_the_end() {
    let mut last = (0, 0);
    import(
        PLAIN.as_bytes(),
        &ImportOptions::default(),
        &mut |done, total| last = (done, total),
    )
    .unwrap();
    assert_eq!(last, (PLAIN.len() as u64, PLAIN.len() as u64));
}

#[test]
fn a_column_name_with_marks_of_overrides_is_taken_whole() {
    let log = read_with("t_s,P*2,q\n0,5,1\n1,6,1\n2,7,1\n", &stating(&["power=P*2"]));
    assert_eq!(values(&log, Role::Power), [5.0, 6.0, 7.0]);
    let parsed: ChannelOverride = "power=P*2".parse().unwrap();
    assert_eq!(parsed.scale, 2.0);
}

#[test]
fn interval_rows_from_begin_to_end() {
    let log = read(
        "begin,end,power_w\n0,5999851417200,100\n6000000000000,11999000000000,120\n12000000000000,18000000000000,130\n",
    );
    assert_eq!(log.span_s, Some(18.0));
    assert!(asks(&log, "unit of the time column"));
}

#[test]
fn a_half_day_mark_in_a_column_of_its_own() {
    let log = read(
        "Stamp temp_c power_w\n06/30/2025 11:59:59 AM 45 33\n06/30/2025 12:00:01 PM 46 34\n06/30/2025 01:00:00 PM 46 35\n",
    );
    assert_eq!(log.log.time_s(), [0.0, 2.0, 3601.0]);
    assert_eq!(values(&log, Role::Power), [33.0, 34.0, 35.0]);
    let midnight = read("Date,Time,,power_w\n6/30/2025,11:59:59,PM,33\n7/1/2025,12:00:01,AM,34\n");
    assert_eq!(midnight.span_s, Some(2.0));
}

#[test]
fn dates_and_times_as_bare_numbers() {
    let log = read("date,time,power_w\n20250603,235959,1\n20250604,1,2\n20250604,102,3\n");
    assert_eq!(log.log.time_s(), [0.0, 2.0, 63.0]);
    // Day 45811.5 of spreadsheets is 2025-06-03T12:00.
    let serial = read("Date,power_w\n45811.5,1\n45811.50048828125,2\n");
    assert_eq!(serial.span_s, Some(42.1875));
    assert_eq!(
        serial.log.start().unwrap().unix_ns,
        1_748_952_000_000_000_000
    );
    assert_eq!(read("t;power_w\nPT0S;1\nPT1M0.5S;2\n").span_s, Some(60.5));
}

#[test]
fn another_header_ends_the_table() {
    let log = read(
        "time_s,temp_c,power_w\n0,45,10\n1,46,11\n\ntime_s,temp_c,fan_rpm\n2,46,1200\n3,46,1210\ntime_s,temp_c,power_w\n4,47,12\n",
    );
    assert_eq!(log.log.time_s(), [0.0, 1.0, 4.0]);
    assert_eq!(skipped(&log, SkipReason::UnderOtherHeader), 2);
    assert!(finds(&log, "header_changes"));
}

#[test]
fn older_encodings_are_told_by_their_words() {
    // "Температура;Мощность" in Windows-1251, "時刻,温度" in Shift JIS, "温度" and "功耗" in GBK.
    let cyrillic = [
        &b"t_s;\xd2\xe5\xec\xef\xe5\xf0\xe0\xf2\xf3\xf0\xe0;\xcc\xee\xf9\xed\xee\xf1\xf2\xfc\n"[..],
        b"0;45;10\n1;46;11\n",
    ]
    .concat();
    let log = read(cyrillic);
    assert_eq!(log.format.encoding, Encoding::Windows1251);
    assert_eq!(values(&log, Role::Power), [10.0, 11.0]);
    let japanese = [
        &b"\x8e\x9e\x8d\x8f,\x89\xb7\x93x\n"[..],
        b"10:00:00,45\n10:00:01,46\n",
    ]
    .concat();
    let log = read(japanese);
    assert_eq!(log.format.encoding, Encoding::ShiftJis);
    assert_eq!(channel(&log, Role::Temperature).column, "温度");
    let chinese = [
        &b"t_s,\xce\xc2\xb6\xc8,\xb9\xa6\xba\xc4\n"[..],
        b"0,45,10\n1,46,11\n",
    ]
    .concat();
    assert_eq!(values(&read(chinese), Role::Power), [10.0, 11.0]);
}

#[test]
fn line_breaks_inside_header_cells() {
    let log = read("time_s,\"CPU\n[°C]\",\"Power\n[W]\"\n0,45,10\n1,46,11\n");
    assert_eq!(values(&log, Role::Temperature), [45.0, 46.0]);
    assert_eq!(skipped(&log, SkipReason::Header), 3);
}

#[test]
fn numbers_that_name_no_device_are_readings() {
    let log = read("time_s,CPU (°C),Index\n0,45,0\n1,46,1\n2,47,2\n3,45,3\n4,46,4\n5,47,5\n");
    assert_eq!(log.rows.kept, 6);
    assert!(log.devices.is_empty());
}

#[test]
fn summer_time_begins_unsaid() {
    let log = read(
        "time,power_w\n2025-03-30 01:59:55,1\n2025-03-30 01:59:56,1\n2025-03-30 01:59:57,1\n2025-03-30 03:00:00,2\n2025-03-30 03:00:01,2\n2025-03-30 03:00:02,2\n",
    );
    assert!(
        !finds(&log, "clock_one_hour_forward"),
        "3603 s are no whole hour and step"
    );
    let hour = read(
        "time,power_w\n2025-03-30 01:59:58,1\n2025-03-30 01:59:59,1\n2025-03-30 03:00:00,2\n2025-03-30 03:00:01,2\n",
    );
    assert!(finds(&hour, "clock_one_hour_forward"));
}

#[test]
fn a_header_narrower_than_the_rows_is_told() {
    let log = read("time_s,temp_c\n0,45,10\n1,46,11\n2,46,12\n");
    assert!(finds(&log, "header_width_differs"));
    assert_eq!(values(&log, Role::Temperature), [45.0, 46.0, 46.0]);
}

#[test]
fn overrides_reach_into_long_form() {
    let text = "t_s,metric,value\n0,cpu temp,113\n0,rail,5000\n1,cpu temp,122\n1,rail,6000\n";
    let log = read_with(
        text,
        &stating(&["power=rail@mW", "temperature=cpu temp@degF"]),
    );
    assert_eq!(values(&log, Role::Power), [5.0, 6.0]);
    assert_eq!(values(&log, Role::Temperature), [45.0, 50.0]);
    let error = import(text.as_bytes(), &stating(&["power=absent"]), &mut |_, _| {}).unwrap_err();
    assert!(matches!(error, ImportError::NoSuchColumn { .. }));
}

#[test]
fn a_recipe_tells_columns_of_one_name_apart() {
    let text = "t_s,temp,temp\n0,30,50\n1,31,51\n2,31,52\n";
    let first = read_with(text, &stating(&["room=col 2", "temperature=col 3"]));
    let recipe = Recipe::from_json(&first.recipe.to_json()).unwrap();
    let again = read_with(
        text,
        &ImportOptions {
            recipe: Some(recipe),
            ..ImportOptions::default()
        },
    );
    assert_eq!(again.log, first.log);
}

#[test]
fn remarks_with_commas_are_no_headers_and_sums_no_rows() {
    let log = read(
        "time_s,temp_c,power_w\n0,45,10\nfan set to 50 %, then to 100 %, power as before\n1,46,11\n2,47,12\n",
    );
    assert_eq!(log.rows.kept, 3);
    let sums = read("temp_c,power_w\n45,10\n46,11\n44,12\nAverage,11\nMax:,12\n");
    assert_eq!(
        (sums.rows.kept, skipped(&sums, SkipReason::SummaryRow)),
        (3, 2)
    );
}

#[test]
fn lines_torn_and_joined_by_a_crash_are_skipped() {
    let log = read("time_s,temp_c,power_w\n0,45,10\n1,463,45,12\n2,4\n4,46,13\n5,46,14\n");
    assert_eq!(log.rows.kept, 3);
    assert_eq!(skipped(&log, SkipReason::TooManyCells), 1);
    assert_eq!(skipped(&log, SkipReason::TooFewCells), 1);
}

#[test]
fn a_last_number_cut_short_is_not_believed() {
    let log = read(
        "t_s,cpu_c,p_w\n0,45,73.125\n1,45,73.250\n2,45,73.500\n3,46,73.125\n4,46,73.250\n5,46,73.375\n6,46,7",
    );
    assert_eq!(log.rows.kept, 7);
    assert_eq!(channel(&log, Role::Power).missing(), 1);
    let note = log
        .findings
        .iter()
        .find(|f| f.rule == "unreadable_cells")
        .unwrap();
    assert!(
        note.evidence.contains("'7 (cut short)' at line 8"),
        "{}",
        note.evidence
    );
    // Numbers without a fixed number of decimals are left alone.
    let free = read("t_s,p_w\n0,73.125\n1,73.25\n2,73.5\n3,73.125\n4,73.25\n5,73.375\n6,7");
    assert_eq!(channel(&free, Role::Power).missing(), 0);
}

#[test]
fn two_header_rows_of_groups_and_names() {
    let log = read(
        "Zeit;CPU;;GPU;\n;Temp [°C];Leistung [W];Temp [°C];Leistung [W]\n0;45;33,5;55;133,5\n1;46;34,5;56;134,5\n",
    );
    assert_eq!(log.span_s, Some(1.0));
    assert_eq!(channel(&log, Role::Temperature).column, "CPU Temp [°C]");
    assert_eq!(
        log.log
            .channels()
            .iter()
            .filter(|c| c.part == "graphics")
            .count(),
        2
    );
}

#[test]
fn totals_that_rise_are_no_time() {
    let log = read(
        "t,freq_khz,energy\n0,3500000,1000000000\n1,3600000,1015000000\n2,3700000,1030000000\n",
    );
    assert_eq!(log.span_s, Some(2.0));
    assert_eq!(channel(&log, Role::Power).values[1..], [15.0, 15.0]);
    let ms = read("ms,power_w\n0,1\n250,2\n500,3\n");
    assert_eq!(ms.span_s, Some(0.5));
}

#[test]
fn blocks_and_threads_lose_nothing() {
    // Over two blocks of 8 MiB, so that lines are cut by block and by thread.
    let rows = 700_000_u32;
    let mut text = String::from("time_s,cpu_temp_c,power_w\n");
    for row in 0..rows {
        let power = if row == 600_000 {
            "odd".to_owned()
        } else {
            format!("{}.25", row % 97)
        };
        let temperature = 40 + row % 13;
        writeln!(text, "{row},{temperature}.5,{power}").unwrap();
    }
    text += "end of log\n";
    let log = read(&text);
    assert_eq!(log.rows.kept, u64::from(rows));
    assert_eq!(log.log.time_s().last(), Some(&f64::from(rows - 1)));
    let wrong = (0..rows).zip(&channel(&log, Role::Temperature).values);
    assert_eq!(
        wrong
            .filter(|(row, v)| **v != f64::from(40 + row % 13) + 0.5)
            .count(),
        0
    );
    let note = log
        .findings
        .iter()
        .find(|f| f.rule == "unreadable_cells")
        .unwrap();
    assert!(
        note.evidence.contains("'odd' at line 600002"),
        "{}",
        note.evidence
    );
    assert_eq!(
        log.rows.skipped.last().unwrap().lines,
        [u64::from(rows) + 2]
    );
}

#[test]
fn stamps_with_blanks_in_them_between_blanks() {
    for (first, second) in [
        (
            "Wed Oct 28 11:59:59 PM CET 2020",
            "Thu Oct 29 12:00:01 AM CET 2020",
        ),
        ("Wed Oct 28 23:59:59 2020", "Thu Oct 29 00:00:01 2020"),
        ("28 Oct 2020 23:59:59", "29 Oct 2020 00:00:01"),
        ("10/28/2020 11:59:59 PM", "10/29/2020 12:00:01 AM"),
    ] {
        let log = read(format!(
            "Stamp CPU_Temp(C) CPU_Power(W)\n{first} 45 33\n{second} 46 34\n"
        ));
        assert_eq!(log.span_s, Some(2.0), "{first}");
        assert_eq!(values(&log, Role::Temperature), [45.0, 46.0], "{first}");
        assert_eq!(values(&log, Role::Power), [33.0, 34.0], "{first}");
    }
}

#[test]
fn a_date_without_a_year_takes_no_reading_for_one() {
    let log = read("Jun 03 23:59:59 45 33.5\nJun 04 00:00:01 46 34.5\nJun 04 00:00:02 46 35.5\n");
    assert_eq!(log.span_s, Some(3.0));
    assert_eq!(
        log.channel_by_column("col 4").unwrap().values,
        [45.0, 46.0, 46.0]
    );
}
