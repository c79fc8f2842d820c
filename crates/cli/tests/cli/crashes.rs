//! Campaigns that are killed, run out of disk or lose a sensor: the notebook opens, at most the last
//! second is missing, and the firmware's limits come back.
//!
//! `SETTLEPOINT_KILLS=300` makes as many kills as that and prints what came of them
//! (`cargo xtask crash-test`); without it there are a few.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use settlepoint_notebook::Notebook;
use settlepoint_stats::random::Random;

use crate::campaigns::{code, limits, until};
use crate::support::{Desk, Said};

/// Rows are handed to the disk before the oldest has waited a second, and the last may have been due
/// a tenth of a second later.
const PROMISED_S: f64 = 1.1;

/// An invented machine in real time, and the cautions' code.
fn desk() -> (Desk, String) {
    let desk = Desk::with_notebook();
    desk.run(["rehearse", "bench", "--seed", "3", "--speed", "1"])
        .ok();
    let code = code(&desk);
    (desk, code)
}

fn sheet(desk: &Desk, run: &str) {
    desk.write(
        "plan.csv",
        format!("run,workload,pl1_w,run_s,cool_down_s\n{run},mixed,40,2,0.5\n"),
    );
}

/// A run of two and a half seconds, with no wait before it.
fn start(desk: &Desk, notebook: &str, code: &str, more: &[&str]) -> Child {
    let args = [
        "campaign",
        notebook,
        "--sheet",
        "plan.csv",
        "--root",
        "bench",
        "--write-limits",
        "--yes",
        code,
        "--settle-within",
        "0",
        "--rest-before",
        "0.2",
        "--json",
    ];
    desk.spawn(args.into_iter().chain(more.iter().copied()))
}

fn wall_s() -> f64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    since.expect("a clock after 1970").as_secs_f64()
}

/// When the last kept row of a run was taken, by the wall clock; `None` if there is no such run.
fn last_row_s(book: &Notebook, name: &str) -> Option<f64> {
    let runs = book.runs().expect("runs");
    let run = runs.iter().find(|r| r.name == name)?;
    let log = book.log(run.id).expect("a log");
    let start = log.start().expect("a start").unix_ns as f64 * 1e-9;
    Some(start + log.time_s()[log.len() - 1])
}

/// Longest that the disk took to keep a little, while something went on.
struct Disk {
    stop: std::sync::Arc<AtomicBool>,
    thread: std::thread::JoinHandle<f64>,
}

impl Disk {
    fn watch(folder: PathBuf) -> Self {
        let stop = std::sync::Arc::new(AtomicBool::new(false));
        let asked = std::sync::Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            let mut longest_s: f64 = 0.0;
            while !asked.load(Ordering::Relaxed) {
                let begun = Instant::now();
                let file = fs::File::create(folder.join("disk")).expect("a file");
                file.set_len(4096)
                    .and_then(|()| file.sync_all())
                    .expect("kept");
                longest_s = longest_s.max(begun.elapsed().as_secs_f64());
                std::thread::sleep(Duration::from_millis(50));
            }
            longest_s
        });
        Self { stop, thread }
    }

    fn longest_s(self) -> f64 {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().expect("no panic")
    }
}

/// What kills came to.
#[derive(Debug, Default)]
struct Tally {
    kills: u32,
    ended_before: u32,
    cut_short: u32,
    before_first_rows: u32,
    lost_s: Vec<f64>,
    guard_s: Vec<f64>,
}

/// Kills campaigns at random moments from their first change of a limit on.
fn kill(seed: u64, kills: u32) -> Tally {
    let (desk, code) = desk();
    let before = limits(&desk);
    let mut random = Random::from_seed(seed);
    let mut tally = Tally::default();
    for number in 0..kills {
        let name = format!("run {number}");
        sheet(&desk, &name);
        let disk = Disk::watch(desk.path("bench"));
        // Every fourth runs a command, which must not go on without its recorder.
        let marker = format!("600.{seed}{number:04}");
        let command = format!("mixed=sleep {marker}");
        let is_command = number % 4 == 3;
        let more = ["--command-of", command.as_str()];
        let mut child = start(
            &desk,
            "a.settle",
            &code,
            if is_command { &more } else { &[] },
        );
        until("limits are written", || limits(&desk) != before);
        let after_s = 3.5 * random.uniform();
        std::thread::sleep(Duration::from_secs_f64(after_s));
        child.kill().expect("SIGKILL");
        let killed_s = wall_s();
        let killed = Instant::now();
        let status = child.wait().expect("an end");
        put_back(&desk, &before, after_s);
        tally.guard_s.push(killed.elapsed().as_secs_f64());
        until("no guard stays", || {
            !runs_still("guard-limits", &desk.path("bench"))
        });
        until("no load stays", || !runs_still(&marker, Path::new("")));
        let disk_s = disk.longest_s();
        tally.kills += 1;
        let moment = Moment {
            after_s,
            killed_s,
            disk_s,
            ended: status.success(),
        };
        judge(&desk, &name, moment, &mut tally);
    }
    let book = Notebook::open(desk.path("a.settle")).expect("it opens");
    book.check().expect("it is whole");
    tally
}

/// Waits until the firmware's limits are back; says how things stand if they do not come.
fn put_back(desk: &Desk, before: &[String], after_s: f64) {
    let begun = Instant::now();
    while limits(desk) != before {
        let kept = fs::read_to_string(desk.path("bench/rehearsal/state/former-limits.json"));
        assert!(
            begun.elapsed() < Duration::from_secs(30),
            "limits stay at {:?} {after_s} s after their first change; a guard is there: {}; kept: {kept:?}",
            limits(desk),
            runs_still("guard-limits", &desk.path("bench"))
        );
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// When a kill came.
#[derive(Clone, Copy, Debug)]
struct Moment {
    /// After the first change of a limit, s.
    after_s: f64,
    /// By the wall clock, s.
    killed_s: f64,
    /// The longest that the disk took meanwhile, s.
    disk_s: f64,
    /// The campaign had ended before.
    ended: bool,
}

/// Limits are given 0.3 s to be taken up, then sensors are opened and the run is entered.
const BEFORE_ROWS_S: f64 = 0.8;

fn judge(desk: &Desk, name: &str, moment: Moment, tally: &mut Tally) {
    let book = Notebook::open(desk.path("a.settle")).expect("it opens");
    let last_s = last_row_s(&book, name);
    drop(book);
    if moment.ended {
        tally.ended_before += 1;
        return;
    }
    let Some(last_s) = last_s else {
        tally.before_first_rows += 1;
        let allowed_s = BEFORE_ROWS_S + PROMISED_S + 3.0 * moment.disk_s;
        assert!(
            moment.after_s <= allowed_s,
            "{name} has no rows: {moment:?}"
        );
        return;
    };
    let lost_s = moment.killed_s - last_s;
    assert!(
        lost_s <= PROMISED_S + moment.disk_s,
        "{name} lost {lost_s} s: {moment:?}"
    );
    tally.lost_s.push(lost_s);
    let review = desk.json(["review", "a.settle"]);
    let findings = review["findings"].as_array().expect("findings");
    let cut = findings
        .iter()
        .any(|f| f["rule"] == "recording_cut_short" && f["run"] == name);
    // A kill between the last row and the end of the program cuts nothing short.
    tally.cut_short += u32::from(cut);
}

/// Whether a process with both words in its command line is there.
fn runs_still(word: &str, folder: &Path) -> bool {
    let folder = folder.to_string_lossy().into_owned();
    let listed = fs::read_dir("/proc").expect("processes");
    listed.flatten().any(|entry| {
        let line = fs::read(entry.path().join("cmdline")).unwrap_or_default();
        let line = String::from_utf8_lossy(&line);
        line.contains(word) && line.contains(&folder)
    })
}

fn share(sorted: &[f64], share: f64) -> f64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in a list"
    )]
    let place = (share * (sorted.len() as f64 - 1.0)).round() as usize;
    sorted.get(place).copied().unwrap_or(f64::NAN)
}

#[test]
fn killed_at_any_moment_it_loses_a_second_at_most() {
    let asked = std::env::var("SETTLEPOINT_KILLS").ok();
    let kills: Option<u32> = asked.map(|n| n.parse().expect("a number of kills"));
    let Some(kills) = kills else {
        let tally = kill(1, 4);
        assert_eq!(tally.kills, 4);
        return;
    };
    let seeds: Vec<u64> = (1..=3).collect();
    let each = kills.div_ceil(3);
    let tallies: Vec<Tally> = std::thread::scope(|scope| {
        let started: Vec<_> = seeds
            .iter()
            .map(|s| scope.spawn(move || kill(*s, each)))
            .collect();
        started
            .into_iter()
            .map(|t| t.join().expect("no panic"))
            .collect()
    });
    let sum = |of: fn(&Tally) -> u32| tallies.iter().map(of).sum::<u32>();
    let all = |of: fn(&Tally) -> &Vec<f64>| {
        let mut all: Vec<f64> = tallies.iter().flat_map(|t| of(t).clone()).collect();
        all.sort_by(f64::total_cmp);
        all
    };
    let (lost, guard) = (all(|t| &t.lost_s), all(|t| &t.guard_s));
    say(&format!(
        "{} kills: {} recordings cut short and marked, {} before their first rows, {} had ended; every \
         notebook opened and was whole\nsamples lost: median {:.2} s, 99 % {:.2} s, most {:.2} s\nlimits \
         back after: median {:.3} s, most {:.3} s",
        sum(|t| t.kills),
        sum(|t| t.cut_short),
        sum(|t| t.before_first_rows),
        sum(|t| t.ended_before),
        share(&lost, 0.5),
        share(&lost, 0.99),
        share(&lost, 1.0),
        share(&guard, 0.5),
        share(&guard, 1.0),
    ));
    assert!(
        sum(|t| t.cut_short) > kills / 3,
        "most kills fall into a recording"
    );
}

/// A disk of its own, small, mounted as root or in a namespace of its own; the program runs on it by
/// a script. `None` where this system does not allow either.
fn on_small_disk(desk: &Desk, size: &str, script: &str) -> Option<Said> {
    let folder = desk.path("disk");
    fs::create_dir(&folder).expect("a folder");
    let program = env!("CARGO_BIN_EXE_settlepoint");
    let body = format!(
        "mount -t tmpfs -o size={size} none disk || exit 99\nprogram={program}\n{script}\n"
    );
    let run = |command: &mut Command| {
        Said::of(
            command
                .args(["sh", "-c", &body])
                .current_dir(desk.path(""))
                .output()
                .expect("unshare is there"),
        )
    };
    for flags in [&["--mount"][..], &["--user", "--map-root-user", "--mount"]] {
        let said = run(Command::new("unshare").args(flags));
        if said.code != Some(99) && said.code != Some(1) {
            return Some(said);
        }
    }
    None
}

#[test]
fn a_disk_that_fills_delays_rows_and_loses_none_once_there_is_space() {
    let (desk, code) = desk();
    let before = limits(&desk);
    sheet(&desk, "full");
    desk.write(
        "long.csv",
        "run,workload,pl1_w,run_s,cool_down_s\nfull,mixed,40,6,0\n",
    );
    // The ballast goes after four seconds; until then there is room for a second or two of rows, with
    // 60 channels of 8 bytes 100 times a second, once in the log and once in the notebook.
    let script = format!(
        "cp a.settle disk/b.settle\n\
         head -c $((3 * 1048576 - $(du -b --total disk | tail -1 | cut -f1) - 300000)) /dev/zero \
         > disk/ballast\n\
         (sleep 4; rm disk/ballast) &\n\
         $program campaign disk/b.settle --sheet long.csv --root bench --write-limits --yes {code} \
         --settle-within 0 --rest-before 0 --rate 100 --json; code=$?\n\
         cp disk/b.settle* .; exit $code"
    );
    let Some(said) = on_small_disk(&desk, "3m", &script) else {
        return without_mounts();
    };
    assert_eq!(said.code, Some(0), "{said:?}");
    assert!(said.err.contains("no space left"), "it was full: {said:?}");
    assert_eq!(limits(&desk), before);
    let book = Notebook::open(desk.path("b.settle")).expect("it opens");
    book.check().expect("it is whole");
    let run = book.runs().expect("runs")[0].id;
    let log = book.log(run).expect("a log");
    // Six seconds at 100 a second, all of them but for ticks that came too late on a busy machine.
    let widest = log
        .time_s()
        .windows(2)
        .map(|w| w[1] - w[0])
        .fold(0.0, f64::max);
    assert!(
        log.len() >= 580 && widest < 0.5,
        "{} rows, widest {widest}",
        log.len()
    );
}

/// Nothing to be learnt about disks here; the recorder's own tests fill one in memory.
fn without_mounts() {
    say("this system lets no small disk be mounted");
}

#[expect(
    clippy::print_stdout,
    reason = "what a long test measured is for whoever ran it"
)]
fn say(text: &str) {
    println!("{text}");
}

#[test]
fn a_disk_that_stays_full_ends_the_run_with_a_word_and_the_notebook_opens() {
    let (desk, code) = desk();
    let before = limits(&desk);
    desk.write(
        "long.csv",
        "run,workload,pl1_w,run_s,cool_down_s\nfull,mixed,40,3,0\n",
    );
    let script = format!(
        "cp a.settle disk/b.settle\n\
         head -c $((2 * 1048576 - $(du -b --total disk | tail -1 | cut -f1) - 200000)) /dev/zero \
         > disk/ballast\n\
         $program campaign disk/b.settle --sheet long.csv --root bench --write-limits --yes {code} \
         --settle-within 0 --rest-before 0 --rate 100 --json; code=$?\n\
         $program runs disk/b.settle >&2\n\
         cp disk/b.settle* .; exit $code"
    );
    let Some(said) = on_small_disk(&desk, "2m", &script) else {
        return without_mounts();
    };
    assert_eq!(said.code, Some(5), "{said:?}");
    assert!(said.err.contains("no space left"), "{said:?}");
    assert_eq!(limits(&desk), before);
    let book = Notebook::open(desk.path("b.settle")).expect("it opens");
    book.check().expect("it is whole");
}

#[test]
fn a_notebook_on_a_read_only_disk_is_refused_before_anything_runs_and_can_be_read() {
    let (desk, code) = desk();
    let before = limits(&desk);
    sheet(&desk, "one");
    let script = format!(
        "cp a.settle disk/b.settle; mount -o remount,ro disk\n\
         $program runs disk/b.settle; echo $?\n\
         $program record disk/b.settle --root bench --for 1; echo $?\n\
         $program campaign disk/b.settle --sheet plan.csv --root bench --write-limits --yes {code}; \
         echo $?"
    );
    let Some(said) = on_small_disk(&desk, "2m", &script) else {
        return without_mounts();
    };
    let codes: Vec<&str> = said.out.lines().filter(|l| l.len() == 1).collect();
    assert_eq!(codes, ["0", "5", "5"], "{said:?}");
    assert_eq!(
        said.err.matches("may not be written to").count(),
        2,
        "{said:?}"
    );
    assert_eq!(limits(&desk), before);
}

#[test]
fn a_sensor_that_turns_unreadable_ends_the_load_and_the_limits_come_back() {
    let (desk, code) = desk();
    let before = limits(&desk);
    desk.write("sensor", "45000\n");
    desk.write(
        "long.csv",
        "run,workload,pl1_w,run_s,cool_down_s\nblind,mixed,40,60,0.5\n",
    );
    let child = desk.spawn([
        "campaign",
        "a.settle",
        "--sheet",
        "long.csv",
        "--root",
        "bench",
        "--write-limits",
        "--yes",
        &code,
        "--settle-within",
        "0",
        "--rest-before",
        "0",
        "--only",
        "intel-rapl/package-0",
        "--file",
        "temperature=sensor*0.001",
        "--stop-temp",
        "95",
        "--json",
    ]);
    until("a run begins", || !desk.runs().is_empty());
    desk.write("sensor", "");
    let blind = Instant::now();
    let said = Said::of(child.wait_with_output().expect("an end"));
    assert_eq!(said.code, Some(0), "{said:?}");
    // After five seconds without a reading, instead of a minute.
    assert!(
        blind.elapsed() < Duration::from_secs(30),
        "{:?}",
        blind.elapsed()
    );
    let answer = said.object();
    let findings = answer["findings"].as_array().expect("findings");
    for rule in ["stopped_blind", "unread_sensor"] {
        assert!(
            findings.iter().any(|f| f["rule"] == rule),
            "{rule} in {findings:?}"
        );
    }
    assert_eq!(limits(&desk), before);
    Notebook::open(desk.path("a.settle"))
        .and_then(|b| b.check())
        .expect("it is whole");
}
