//! `cargo xtask recorder-cost [SECONDS [PROGRAM]]`: what recording costs the machine that is recorded, as the
//! operating system counts it, and how even its time stamps are.
//!
//! The files are an invented machine's, left alone, so that nothing but the recorder runs.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

use serde_json::Value;
use settlepoint_notebook::Notebook;

/// Channels that the promise is about.
const CHANNELS: usize = 64;
/// The recorder's own, which it adds: clock shift, missed ticks, unread channels.
const OWN: usize = 3;
/// Cores of the machine, so that it has more channels than that.
const CORES: &str = "24";
/// Two readings of the clock lie no farther apart than this, s.
const CLOCK_S: f64 = 1e-4;
/// A file system in memory, where nobody waits for a disk.
const MEMORY: &str = "/dev/shm";
/// The first seconds, with opening and the first pages of the file, are not the steady cost.
const START_S: f64 = 3.0;

/// Measures at 10 Hz and at 100 Hz on the disk, and at 10 Hz in memory: what that wakes less often is
/// the waiting for the disk, some three times for each second's rows.
pub(crate) fn run(mut words: impl Iterator<Item = String>) -> Result<(), String> {
    let seconds = match words.next() {
        None => 60.0,
        Some(text) => text
            .parse::<f64>()
            .ok()
            .filter(|s| (5.0..=3600.0).contains(s))
            .ok_or_else(|| format!("recorder-cost {text}: give 5 to 3600 s"))?,
    };
    let program = match words.next() {
        Some(path) => fs::canonicalize(&path).map_err(|e| format!("{path}: {e}"))?,
        None => build()?,
    };
    let disk = std::env::temp_dir();
    let mut places = vec![(disk.as_path(), 10.0), (disk.as_path(), 100.0)];
    if Path::new(MEMORY).is_dir() {
        places.push((Path::new(MEMORY), 10.0));
    }
    for (place, rate_hz) in places {
        let folder = place.join(format!("recorder-cost-{}", std::process::id()));
        fs::create_dir_all(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
        let measured = measure(&program, &folder, rate_hz, seconds);
        // What is left in a folder for scratch files does no harm.
        let _ = fs::remove_dir_all(&folder);
        say(&format!(
            "notebook in {}: {}",
            place.display(),
            measured?.text()
        ));
    }
    Ok(())
}

#[expect(clippy::print_stdout, reason = "the chore's answer")]
fn say(text: &str) {
    println!("{text}");
}

/// The program as users have it.
fn build() -> Result<PathBuf, String> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let status = Command::new(cargo)
        .args(["build", "--release", "--package", "settlepoint-cli"])
        .status()
        .map_err(|e| format!("cargo cannot be started: {e}"))?;
    if !status.success() {
        return Err("the program does not build".to_owned());
    }
    let here = std::env::current_exe().map_err(|e| e.to_string())?;
    let target = here
        .ancestors()
        .nth(2)
        .ok_or("the target folder is not found")?;
    Ok(target.join("release/settlepoint"))
}

/// A recording's cost over `span_s`, and its time stamps.
struct Cost {
    rate_hz: f64,
    span_s: f64,
    cpu_share: f64,
    resident_mib: f64,
    wake_ups_hz: f64,
    pushed_off_hz: f64,
    rows: usize,
    jitter_ms: [f64; 3],
    missed: f64,
}

impl Cost {
    fn text(&self) -> String {
        let [median, p99, most] = self.jitter_ms;
        format!(
            "{CHANNELS} channels at {} Hz over {:.0} s: {:.2} % of one core, {:.1} MiB resident at most, \
             {:.1} wake-ups a second (and {:.2} times pushed off the processor)\n  {} rows, {} ticks \
             missed; time stamps off by {median:.3} ms (median), {p99:.3} ms (99 %), {most:.3} ms (most)",
            self.rate_hz,
            self.span_s,
            100.0 * self.cpu_share,
            self.resident_mib,
            self.wake_ups_hz,
            self.pushed_off_hz,
            self.rows,
            self.missed
        )
    }
}

fn settlepoint(program: &Path, folder: &Path, args: &[&str]) -> Result<String, String> {
    let output = Command::new(program)
        .args(args)
        .current_dir(folder)
        .output()
        .map_err(|e| format!("{}: {e}", program.display()))?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned());
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

fn measure(program: &Path, folder: &Path, rate_hz: f64, seconds: f64) -> Result<Cost, String> {
    let book = format!("cost-{rate_hz}.settle");
    settlepoint(program, folder, &["new", &book])?;
    settlepoint(program, folder, &["rehearse", "bench", "--cores", CORES])?;
    // Without its parameters it is a tree of plain files, read by the system's own clock.
    fs::remove_dir_all(folder.join("bench/rehearsal")).map_err(|e| e.to_string())?;
    let listed = settlepoint(program, folder, &["channels", "--root", "bench", "--json"])?;
    let (rate, length) = (rate_hz.to_string(), (seconds + START_S + 1.0).to_string());
    let mut args: Vec<String> = [
        "record", &book, "--root", "bench", "--rate", &rate, "--for", &length,
    ]
    .map(str::to_owned)
    .to_vec();
    for id in surplus(&listed)? {
        args.extend(["--without".to_owned(), id]);
    }
    let child = Command::new(program)
        .args(&args)
        .current_dir(folder)
        .spawn()
        .map_err(|e| e.to_string())?;
    let counted = count(child, seconds)?;
    let stamps = stamps(&folder.join(&book), rate_hz)?;
    fs::remove_dir_all(folder.join("bench")).map_err(|e| e.to_string())?;
    Ok(Cost {
        rate_hz,
        span_s: counted.span_s,
        cpu_share: counted.cpu_s / counted.span_s,
        resident_mib: counted.resident_mib,
        wake_ups_hz: counted.woken / counted.span_s,
        pushed_off_hz: counted.pushed_off / counted.span_s,
        rows: stamps.0,
        jitter_ms: stamps.1,
        missed: stamps.2,
    })
}

/// Channels beyond the number that the promise is about.
fn surplus(listed: &str) -> Result<Vec<String>, String> {
    let listed: Value = serde_json::from_str(listed).map_err(|e| e.to_string())?;
    let ids: Vec<String> = listed["channels"]
        .as_array()
        .ok_or("no channels")?
        .iter()
        .filter_map(|c| Some(c["id"].as_str()?.to_owned()))
        .collect();
    if ids.len() < CHANNELS {
        return Err(format!("only {} channels", ids.len()));
    }
    Ok(ids[CHANNELS..].to_vec())
}

struct Counted {
    span_s: f64,
    cpu_s: f64,
    woken: f64,
    pushed_off: f64,
    resident_mib: f64,
}

fn count(mut child: Child, seconds: f64) -> Result<Counted, String> {
    let pid = child.id();
    std::thread::sleep(Duration::from_secs_f64(START_S));
    let (begun, from) = (Instant::now(), Counters::of(pid)?);
    std::thread::sleep(Duration::from_secs_f64(seconds));
    let (span_s, to) = (begun.elapsed().as_secs_f64(), Counters::of(pid)?);
    let status = child.wait().map_err(|e| e.to_string())?;
    if !status.success() {
        return Err("the recording failed".to_owned());
    }
    Ok(Counted {
        span_s,
        cpu_s: 1e-9 * (to.cpu_ns - from.cpu_ns),
        woken: to.woken - from.woken,
        pushed_off: to.pushed_off - from.pushed_off,
        resident_mib: to.resident_kib / 1024.0,
    })
}

/// What the kernel counts of a process, over its threads (Documentation/filesystems/proc.rst;
/// schedstat: Documentation/scheduler/sched-stats.rst).
struct Counters {
    cpu_ns: f64,
    woken: f64,
    pushed_off: f64,
    resident_kib: f64,
}

impl Counters {
    fn of(pid: u32) -> Result<Self, String> {
        let mut all = Self {
            cpu_ns: 0.0,
            woken: 0.0,
            pushed_off: 0.0,
            resident_kib: 0.0,
        };
        let tasks = fs::read_dir(format!("/proc/{pid}/task")).map_err(|e| e.to_string())?;
        for task in tasks.flatten() {
            let read = |file: &str| fs::read_to_string(task.path().join(file)).unwrap_or_default();
            let on_cpu = read("schedstat");
            all.cpu_ns += on_cpu
                .split(' ')
                .next()
                .and_then(|n| n.parse::<f64>().ok())
                .unwrap_or(0.0);
            let status = read("status");
            all.woken += field(&status, "voluntary_ctxt_switches:");
            all.pushed_off += field(&status, "nonvoluntary_ctxt_switches:");
            all.resident_kib = field(&status, "VmHWM:");
        }
        Ok(all)
    }
}

fn field(status: &str, name: &str) -> f64 {
    let line = status.lines().find_map(|line| line.strip_prefix(name));
    line.and_then(|rest| rest.split_whitespace().next()?.parse().ok())
        .unwrap_or(0.0)
}

/// Rows, by how much their times are off the even grid in ms (median, 99 %, most), missed ticks.
fn stamps(path: &Path, rate_hz: f64) -> Result<(usize, [f64; 3], f64), String> {
    let book = Notebook::open(path).map_err(|e| e.to_string())?;
    let run = book.runs().map_err(|e| e.to_string())?;
    let run = run.last().ok_or("nothing was recorded")?.id;
    let log = book.log(run).map_err(|e| e.to_string())?;
    if log.channels().len() != CHANNELS + OWN {
        return Err(format!("{} channels were recorded", log.channels().len()));
    }
    let missed = log.channels().iter().find(|c| c.column == "missed ticks");
    let missed = missed.map_or(0.0, |c| c.values.iter().sum());
    // A tick is never early, but for the moment between two readings of the clock.
    let off_ms = |t: &f64| 1e3 * (((t + CLOCK_S) * rate_hz).fract() / rate_hz - CLOCK_S);
    let mut off_ms: Vec<f64> = log.time_s().iter().map(off_ms).collect();
    off_ms.sort_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in a list"
    )]
    let at = |share: f64| off_ms[(share * (off_ms.len() - 1) as f64).round() as usize];
    Ok((log.len(), [at(0.5), at(0.99), at(1.0)], missed))
}
