//! Ctrl-C, closed pipes, other programs, folders that may not be written to, full disks.

use std::process::Stdio;
use std::time::{Duration, Instant};

use crate::support::{Desk, Said};

/// Long enough for a loaded machine; a test that waits that long has failed.
const PATIENCE: Duration = Duration::from_mins(1);

#[test]
fn a_second_program_that_writes_is_waited_for() {
    let desk = Desk::with_three_runs();
    let other = rusqlite::Connection::open(desk.path("a.settle")).expect("the notebook");
    other.execute_batch("BEGIN IMMEDIATE").expect("a lock");
    let child = desk.spawn(["exclude", "a.settle", "mid", "--reason", "late"]);
    // Readers are not held up by a writer.
    assert_eq!(desk.runs().len(), 3);
    std::thread::sleep(Duration::from_millis(300));
    other.execute_batch("ROLLBACK").expect("released");
    Said::of(child.wait_with_output().expect("it ends")).ok();
    assert_eq!(desk.runs()[1]["excluded"], "late");
}

#[test]
fn a_second_program_that_does_not_let_go_ends_the_wait_with_a_message() {
    let desk = Desk::with_three_runs();
    let other = rusqlite::Connection::open(desk.path("a.settle")).expect("the notebook");
    other.execute_batch("BEGIN IMMEDIATE").expect("a lock");
    desk.run(["add", "machine", "a.settle", "m"])
        .refused(5)
        .saying(&["in use by another program", "try again"]);
    other.execute_batch("ROLLBACK").expect("released");
    desk.run(["add", "machine", "a.settle", "m"]).ok();
}

#[test]
fn a_damaged_notebook_is_called_so() {
    let desk = Desk::with_three_runs();
    let mut bytes = std::fs::read(desk.path("a.settle")).expect("the notebook");
    bytes.truncate(5000);
    desk.write("cut.settle", &bytes);
    let said = desk.run(["runs", "cut.settle"]).without_answer();
    assert!(matches!(said.code, Some(3 | 5)), "{said:?}");
    assert!(said.err.contains("damaged"), "{}", said.err);
}

#[test]
fn a_reader_that_closes_the_pipe_early_has_what_it_wanted() {
    let desk = Desk::with_three_runs();
    for args in [
        &["runs", "a.settle"][..],
        &["manual"],
        &["choose", "a.settle", "--room", "30"],
    ] {
        let mut child = desk
            .command(args)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        drop(child.stdout.take());
        let said = Said::of(child.wait_with_output().expect("it ends"));
        assert_eq!((said.code, said.err.as_str()), (Some(0), ""), "{args:?}");
    }
}

/// A log of a day at ten rows a second would take minutes to type; this one takes seconds to import.
fn long_log() -> String {
    use std::fmt::Write as _;
    let mut text = String::from("time (s),package power (W),package temperature (°C),fan (rpm)\n");
    let mut state = 1_u64;
    for row in 0..300_000_u32 {
        // Noise that does not compress away: a linear congruential sequence (Knuth's MMIX constants).
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let noise = (state >> 40) % 1000;
        let seconds = f64::from(row) / 10.0;
        let _ = writeln!(
            text,
            "{seconds:.1},{}.{noise:03},6{}.{noise:03},1{noise:03}",
            60 + row / 3000,
            row % 10
        );
    }
    text
}

/// A word on why a test could not run here.
#[expect(
    clippy::print_stdout,
    reason = "the test runner shows it with the test's name"
)]
fn skipped(why: &str) {
    println!("skipped: {why}");
}

/// Waits until this holds.
fn wait_for(what: &str, holds: impl Fn() -> bool) {
    let begun = Instant::now();
    while !holds() {
        assert!(begun.elapsed() < PATIENCE, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(2));
    }
}

#[cfg(unix)]
mod unix {
    use std::process::{Child, Command, Stdio};

    use super::*;

    fn interrupt(child: &Child) {
        let done = Command::new("kill")
            .args(["-INT", &child.id().to_string()])
            .status()
            .expect("kill starts");
        assert!(done.success(), "the program still ran");
    }

    fn assert_holds_nothing(desk: &Desk) {
        assert!(desk.runs().is_empty());
        let file = rusqlite::Connection::open(desk.path("a.settle")).expect("the notebook");
        for table in [
            "machines",
            "coolings",
            "settings",
            "workloads",
            "runs",
            "raw_files",
            "logs",
        ] {
            let rows: u32 = file
                .query_row(&format!("SELECT count(*) FROM {table}"), [], |r| r.get(0))
                .expect("a count");
            assert_eq!(rows, 0, "{table}");
        }
        let verdict: String = file
            .query_row("PRAGMA integrity_check", [], |r| r.get(0))
            .expect("a verdict");
        assert_eq!(verdict, "ok");
    }

    #[test]
    fn ctrl_c_while_a_log_is_being_written_leaves_nothing_of_it() {
        let desk = Desk::with_notebook();
        desk.write("long.csv", long_log());
        let child = desk
            .command(["add", "log", "a.settle", "long.csv"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        // The write-ahead log grows as soon as the transaction has outgrown its cache.
        let wal = desk.path("a.settle-wal");
        wait_for("the first pages", || {
            std::fs::metadata(&wal).is_ok_and(|m| m.len() > 0)
        });
        interrupt(&child);
        let said = Said::of(child.wait_with_output().expect("it ends"));
        assert_eq!(said.code, Some(6), "{said:?}");
        assert!(
            said.err.contains("interrupted") && said.out.is_empty(),
            "{said:?}"
        );
        assert_holds_nothing(&desk);
    }

    #[test]
    fn ctrl_c_while_standard_input_is_awaited_ends_at_once() {
        let desk = Desk::with_notebook();
        let child = desk.spawn(["add", "log", "a.settle", "-"]);
        std::thread::sleep(Duration::from_millis(300));
        interrupt(&child);
        let begun = Instant::now();
        // The pipe stays open meanwhile: only the signal can end it.
        let mut child = child;
        let stdin = child.stdin.take();
        let said = Said::of(child.wait_with_output().expect("it ends"));
        drop(stdin);
        assert_eq!(said.code, Some(6), "{said:?}");
        assert!(begun.elapsed() < PATIENCE / 2);
        assert_holds_nothing(&desk);
    }

    #[test]
    fn an_answer_that_cannot_be_written_is_an_error() {
        let full = std::path::Path::new("/dev/full");
        if !full.exists() {
            skipped("this system has no /dev/full");
            return;
        }
        let desk = Desk::with_three_runs();
        let out = std::fs::OpenOptions::new()
            .write(true)
            .open(full)
            .expect("it opens");
        let output = desk
            .command(["runs", "a.settle"])
            .stdout(out)
            .output()
            .expect("the program starts");
        Said::of(output)
            .refused(5)
            .saying(&["cannot write the answer"]);
    }
}

#[cfg(target_os = "linux")]
mod linux {
    use std::path::{Path, PathBuf};
    use std::process::{Command, Stdio};

    use super::*;

    /// A small disk in memory, unmounted in the end.
    struct SmallDisk {
        place: PathBuf,
    }

    impl SmallDisk {
        /// `None`, with a word on the output, where this user may not mount.
        fn mount(place: &Path, size: &str) -> Option<Self> {
            std::fs::create_dir(place).expect("a folder");
            if run_mount(&["-t", "tmpfs", "-o", size, "tmpfs"], place) {
                return Some(Self {
                    place: place.to_owned(),
                });
            }
            skipped("this user may not mount a small disk");
            None
        }

        fn make_read_only(&self) -> bool {
            run_mount(&["-o", "remount,ro"], &self.place)
        }
    }

    impl Drop for SmallDisk {
        fn drop(&mut self) {
            let _ = Command::new("umount").arg(&self.place).status();
        }
    }

    fn run_mount(options: &[&str], place: &Path) -> bool {
        Command::new("mount")
            .args(options)
            .arg(place)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|s| s.success())
    }

    #[test]
    fn a_full_disk_keeps_what_was_there_and_says_so() {
        let desk = Desk::new();
        let Some(_disk) = SmallDisk::mount(&desk.path("disk"), "size=1m") else {
            return;
        };
        desk.run(["new", "disk/a.settle"]).ok();
        desk.write("three.csv", crate::support::THREE);
        desk.run(["add", "readings", "disk/a.settle", "three.csv"])
            .ok();
        desk.write("long.csv", long_log());
        desk.run(["add", "log", "disk/a.settle", "long.csv"])
            .refused(5)
            .saying(&["space"]);
        desk.run(["export", "disk/a.settle", "--to", "disk/out"])
            .ok();
        let runs = desk.json(["runs", "disk/a.settle"]);
        assert_eq!(runs["runs"].as_array().map(Vec::len), Some(3));
    }

    #[test]
    fn a_disk_that_may_not_be_written_to_can_be_read() {
        let desk = Desk::new();
        let Some(disk) = SmallDisk::mount(&desk.path("disk"), "size=4m") else {
            return;
        };
        desk.run(["new", "disk/a.settle"]).ok();
        desk.write("three.csv", crate::support::THREE);
        desk.run(["add", "readings", "disk/a.settle", "three.csv"])
            .ok();
        assert!(disk.make_read_only(), "mounting was allowed before");
        let runs = desk.json(["runs", "disk/a.settle"]);
        assert_eq!(runs["runs"].as_array().map(Vec::len), Some(3));
        desk.run(["add", "machine", "disk/a.settle", "m"])
            .refused(5)
            .saying(&["may not be written to", "copy"]);
        desk.run(["new", "disk/b.settle"])
            .refused(5)
            .saying(&["disk/b.settle", "may not be written to"]);
        desk.run(["export", "disk/a.settle", "--to", "disk/out"])
            .refused(5)
            .saying(&["disk/out"]);
        desk.run(["demo", "-o", "disk"])
            .refused(5)
            .saying(&["disk/"]);
    }
}
