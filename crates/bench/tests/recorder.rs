//! The recorder against what machines do to it: chips that go and come back under another number,
//! files that turn unreadable, sleep, clocks that are set, ticks that come too late, disks that fill.

mod support;

use std::fs;
use std::path::Path;
use std::sync::{Arc, Mutex};

use settlepoint_bench::rehearse::{MachineSpec, Rehearsal, make};
use settlepoint_bench::{
    Account, Feed, Found, Header, Plan, Recorder, Rows, Sink, SinkError, Wanted, choose, discover,
};
use settlepoint_domain::{Finding, Role, Unit};
use support::{Event, S, TestClock};

/// A machine whose files nobody changes but the test.
fn still() -> (tempfile::TempDir, Vec<Found>) {
    let folder = tempfile::tempdir().expect("a folder");
    make(folder.path(), &MachineSpec::from_seed(3)).expect("a machine");
    let found = choose(
        discover(folder.path()).expect("sensors"),
        &Wanted::default(),
    );
    (folder, found.expect("all of them"))
}

fn recorder<'c>(
    root: &Path,
    found: &[Found],
    clock: &'c TestClock,
    sink: Option<Box<dyn Sink>>,
) -> Recorder<'c> {
    let plan = Plan {
        root,
        found,
        feeds: Vec::new(),
        period_s: 0.1,
    };
    Recorder::start(plan, clock, sink).expect("starts")
}

fn column(recorder: &Recorder<'_>, name: &str) -> usize {
    let found = recorder.channels().iter().position(|c| c.column == name);
    found.expect(name)
}

fn rule<'f>(findings: &'f [Finding], rule: &str) -> &'f Finding {
    let found = findings.iter().find(|f| f.rule == rule);
    found.expect(rule)
}

#[test]
fn a_chip_that_comes_back_under_another_number_is_found_again() {
    let (folder, found) = still();
    let clock = TestClock::default();
    let mut recorder = recorder(folder.path(), &found, &clock, None);
    let package = column(&recorder, "coretemp Package id 0 temperature");
    let chips = folder.path().join("sys/class/hwmon");
    for _ in 0..10 {
        let row = recorder.tick().expect("a row");
        assert!((row.readings[package] - 30.0).abs() < 1e-9);
    }
    // The driver goes: open files give nothing any more, then the folder is gone.
    let old = chips.join("hwmon2");
    for entry in fs::read_dir(&old).expect("a chip") {
        fs::write(entry.expect("a file").path(), "").expect("emptied");
    }
    fs::remove_dir_all(&old).expect("removed");
    for _ in 0..30 {
        let row = recorder.tick().expect("a row");
        assert!(
            row.readings[package].is_nan(),
            "missing, not 0 and not the last value"
        );
    }
    let new = chips.join("hwmon9");
    fs::create_dir(&new).expect("a chip");
    for (file, text) in [
        ("name", "coretemp"),
        ("temp1_label", "Package id 0"),
        ("temp1_input", "41000"),
    ] {
        fs::write(new.join(file), text).expect("a file");
    }
    let mut seen = f64::NAN;
    for _ in 0..100 {
        seen = recorder.tick().expect("a row").readings[package];
    }
    assert!((seen - 41.0).abs() < 1e-9, "{seen}");
    let account = recorder.finish().expect("ends");
    let findings = account.findings();
    assert!(rule(&findings, "sensor_moved").evidence.contains("hwmon9"));
    let together: Vec<&Finding> = findings
        .iter()
        .filter(|f| f.rule == "unread_sensor")
        .collect();
    assert_eq!(
        together.len(),
        2,
        "what came back, and what did not: {together:?}"
    );
    assert!(
        together.iter().any(|f| f.evidence.contains("and 5 more")),
        "eight cores: {together:?}"
    );
    let errors = account
        .read_errors
        .iter()
        .find(|e| e.label.contains("Package"))
        .expect("errors are kept");
    assert!(errors.back && errors.count >= 30, "{errors:?}");
    // The cores did not come back.
    let core = account
        .read_errors
        .iter()
        .find(|e| e.label.contains("Core 3"));
    assert!(core.is_some_and(|e| !e.back));
}

#[test]
fn a_file_that_turns_unreadable_costs_its_own_readings_only() {
    let (folder, found) = still();
    let clock = TestClock::default();
    let mut recorder = recorder(folder.path(), &found, &clock, None);
    let fan = column(&recorder, "atticboard rear fan fan speed");
    let package = column(&recorder, "coretemp Package id 0 temperature");
    let unread = column(&recorder, "unread channels");
    recorder.tick().expect("a row");
    let file = folder.path().join("sys/class/hwmon/hwmon4/fan3_input");
    fs::write(&file, "N/A\n").expect("written");
    for _ in 0..20 {
        let row = recorder.tick().expect("a row");
        assert!(row.readings[fan].is_nan());
        assert!((row.readings[package] - 30.0).abs() < 1e-9);
        assert!((row.readings[unread] - 1.0).abs() < 1e-9);
    }
    fs::write(&file, "812\n").expect("written");
    let row = recorder.tick().expect("a row");
    assert!(
        (row.readings[fan] - 812.0).abs() < 1e-9,
        "there again at once"
    );
    let findings = recorder.finish().expect("ends").findings();
    let said = &rule(&findings, "unread_sensor").evidence;
    assert!(said.contains("20 times") && said.contains("N/A"), "{said}");
}

#[test]
fn sleep_is_a_gap_and_a_clock_set_back_changes_no_time() {
    let (folder, found) = still();
    let clock = TestClock::with(&[
        (2 * S, Event::Sleep(600 * S)),
        (4 * S, Event::Set(-7200 * i128::from(S))),
    ]);
    let mut recorder = recorder(folder.path(), &found, &clock, None);
    let shift = column(&recorder, "wall clock shift");
    let (mut before_s, mut slept_s, mut last_shift) = (-1.0, 0.0, 0.0);
    for _ in 0..60 {
        let row = recorder.tick().expect("a row");
        assert!(row.time_s > before_s, "time never falls");
        before_s = row.time_s;
        slept_s += row.slept_s;
        last_shift = row.readings[shift];
    }
    assert!((before_s - 605.9).abs() < 0.05, "sleep counts: {before_s}");
    assert!((slept_s - 600.0).abs() < 1e-6);
    assert!((last_shift + 7200.0).abs() < 1e-6, "both clocks are kept");
    let account = recorder.finish().expect("ends");
    assert_eq!(account.missed_ticks, 0, "nobody is late who sleeps");
    let findings = account.findings();
    assert!(rule(&findings, "slept").evidence.contains("600 s"));
    assert!(rule(&findings, "clock_set").evidence.contains("-7200.0 s"));
}

#[test]
fn ticks_that_come_too_late_are_counted_and_not_made_up() {
    let (folder, found) = still();
    let clock = TestClock::with(&[(S, Event::Stall(S / 2))]);
    let mut recorder = recorder(folder.path(), &found, &clock, None);
    let missed = column(&recorder, "missed ticks");
    let mut sum = 0.0;
    for _ in 0..30 {
        sum += recorder.tick().expect("a row").readings[missed];
    }
    // Half a second late at the tick of 1.0 s: those of 1.1 to 1.5 s are gone.
    assert!((sum - 5.0).abs() < 1e-9, "{sum}");
    let account = recorder.finish().expect("ends");
    assert_eq!((account.missed_ticks, account.rows), (5, 30));
    assert!(
        rule(&account.findings(), "missed_ticks")
            .evidence
            .contains("5 of 35")
    );
}

/// A disk with room for so many batches, then full until it is told otherwise.
struct Disk {
    room: usize,
    freed: Arc<Mutex<bool>>,
    kept: Arc<Mutex<Vec<f64>>>,
    ended: Arc<Mutex<bool>>,
}

impl Sink for Disk {
    fn keep(&mut self, _: &Header, rows: Rows<'_>) -> Result<(), SinkError> {
        if self.room == 0 && !*self.freed.lock().expect("no panic") {
            return Err(SinkError::Later {
                why: "full".to_owned(),
            });
        }
        self.room = self.room.saturating_sub(1);
        let mut kept = self.kept.lock().expect("no panic");
        kept.extend(rows.iter().map(|(time_s, _)| time_s));
        Ok(())
    }

    fn finish(&mut self) -> Result<(), SinkError> {
        let mut ended = self.ended.lock().expect("no panic");
        if *ended {
            return Ok(());
        }
        // The first try fails, too: rows must not be given twice.
        *ended = true;
        Err(SinkError::Later {
            why: "full".to_owned(),
        })
    }
}

#[test]
fn rows_wait_for_a_full_disk_and_none_is_kept_twice() {
    let (folder, found) = still();
    let clock = TestClock::default();
    let (freed, kept) = (
        Arc::new(Mutex::new(false)),
        Arc::new(Mutex::new(Vec::new())),
    );
    let sink = Disk {
        room: 1,
        freed: Arc::clone(&freed),
        kept: Arc::clone(&kept),
        ended: Arc::default(),
    };
    let mut recorder = recorder(folder.path(), &found, &clock, Some(Box::new(sink)));
    let begun = std::time::Instant::now();
    let mut rows = 0;
    // Real time: the outbox hands rows over once a second of it.
    while recorder.trouble().is_none() {
        recorder.tick().expect("a row");
        rows += 1;
        std::thread::sleep(std::time::Duration::from_millis(5));
        assert!(begun.elapsed().as_secs() < 60, "the trouble is told");
    }
    *freed.lock().expect("no panic") = true;
    for _ in 0..20 {
        recorder.tick().expect("a row");
        rows += 1;
    }
    let account: Account = recorder.finish().expect("all is kept");
    assert_eq!(account.rows, rows);
    let kept = kept.lock().expect("no panic");
    assert_eq!(kept.len() as u64, rows);
    assert!(kept.windows(2).all(|w| w[1] > w[0]), "in order, once each");
}

#[test]
fn a_rehearsal_reads_as_a_machine_does() {
    let folder = tempfile::tempdir().expect("a folder");
    let spec = MachineSpec {
        speed: 1000.0,
        ..MachineSpec::from_seed(4)
    };
    make(folder.path(), &spec).expect("a machine");
    let machine = Rehearsal::switch_on(folder.path()).expect("on");
    let twice = Rehearsal::switch_on(folder.path()).expect_err("one at a time");
    assert!(twice.to_string().contains("another program"), "{twice}");
    let found = discover(folder.path()).expect("sensors");
    let feed = Feed::new("meter", Role::Level, Unit::Dba, "a test");
    let plan = Plan {
        root: folder.path(),
        found: &found,
        feeds: vec![feed],
        period_s: 1.0,
    };
    let mut recorder = Recorder::start(plan, &machine, None).expect("starts");
    let power = column(&recorder, "package-0 power");
    let mut energy_j = 0.0;
    let mut last_s = 0.0;
    for _ in 0..120 {
        let row = recorder.tick().expect("a row");
        if !row.readings[power].is_nan() {
            energy_j += row.readings[power] * (row.time_s - last_s);
        }
        last_s = row.time_s;
    }
    // At rest the machine draws what its parameters say, but for leakage, which moves with its
    // temperature: 4 to 9 % of demand grows by 1.2 to 2 % a kelvin over 40 K below its reference.
    let mean_w = energy_j / last_s;
    let leak_w = spec.model.package.leak_w;
    assert!(
        (mean_w - spec.idle_w).abs() <= leak_w,
        "{mean_w} {}",
        spec.idle_w
    );
    assert!((last_s - 119.0).abs() < 1e-6);
}
