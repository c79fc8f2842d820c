//! The built-in loads on threads, each pinned to its processor.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::{LoadSpec, kernels};
use crate::error::BenchError;
use crate::topology::Topology;

/// What a memory load may use in all, and a thread at most and at least.
const MEMORY_SHARE: u64 = 4;
const MEMORY_A_THREAD: (usize, usize) = (8 << 20, 64 << 20);

#[derive(Debug, Default)]
struct Shared {
    stop: AtomicBool,
    /// Passes handed out, where their number is fixed.
    taken: AtomicU64,
    done: AtomicU64,
    wrong: AtomicU64,
    unpinned: AtomicU64,
    ended: AtomicU64,
}

/// Running threads.
#[derive(Debug)]
pub(crate) struct Threads {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
}

/// What the threads came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Sum {
    pub(crate) done: u64,
    pub(crate) wrong: u64,
    pub(crate) unpinned: u64,
}

impl Threads {
    pub(crate) fn start(spec: &LoadSpec, topology: &Topology) -> Result<Self, BenchError> {
        let cpus = processors(spec, topology)?;
        let memory_bytes = memory_a_thread(cpus.len());
        let shared = Arc::new(Shared::default());
        let begun = Instant::now();
        let mut threads = Vec::new();
        for cpu in cpus {
            let (theirs, spec) = (Arc::clone(&shared), spec.clone());
            let thread = std::thread::Builder::new()
                .name(format!("load {cpu}"))
                .spawn(move || run(&theirs, &spec, cpu, memory_bytes, begun))
                .map_err(|e| BenchError::invalid("load", format!("no thread: {e}")))?;
            threads.push(thread);
        }
        Ok(Self { shared, threads })
    }

    pub(crate) fn done(&self) -> u64 {
        self.shared.done.load(Ordering::Relaxed)
    }

    /// Whether the fixed work is done.
    pub(crate) fn ended(&self) -> bool {
        self.shared.ended.load(Ordering::Relaxed) == self.threads.len() as u64
    }

    pub(crate) fn stop(mut self) -> Sum {
        self.join()
    }

    fn join(&mut self) -> Sum {
        self.shared.stop.store(true, Ordering::Relaxed);
        let mut wrong = 0;
        for thread in self.threads.drain(..) {
            // A thread that broke off did not compute what it should.
            wrong += u64::from(thread.join().is_err());
        }
        Sum {
            done: self.done(),
            wrong: wrong + self.shared.wrong.load(Ordering::Relaxed),
            unpinned: self.shared.unpinned.load(Ordering::Relaxed),
        }
    }
}

impl Drop for Threads {
    fn drop(&mut self) {
        self.join();
    }
}

fn run(shared: &Shared, spec: &LoadSpec, cpu: usize, memory_bytes: usize, begun: Instant) {
    if !pin(cpu) {
        shared.unpinned.fetch_add(1, Ordering::Relaxed);
    }
    let mut work = kernels::work(spec.kind, memory_bytes);
    while !shared.stop.load(Ordering::Relaxed) {
        if let Some(pulse) = spec.pulse
            && !pulse.is_on(begun.elapsed().as_secs_f64())
        {
            std::thread::sleep(Duration::from_millis(2));
            continue;
        }
        if let Some(all) = spec.work
            && shared.taken.fetch_add(1, Ordering::Relaxed) >= all
        {
            break;
        }
        let right = work.pass();
        shared.wrong.fetch_add(u64::from(!right), Ordering::Relaxed);
        shared.done.fetch_add(1, Ordering::Relaxed);
    }
    let right = work.check();
    shared.wrong.fetch_add(u64::from(!right), Ordering::Relaxed);
    shared.ended.fetch_add(1, Ordering::Relaxed);
}

/// The processors that a load runs on.
fn processors(spec: &LoadSpec, topology: &Topology) -> Result<Vec<usize>, BenchError> {
    let kind = spec.core_kind.as_deref();
    if let Some(kind) = kind
        && !topology.kinds().iter().any(|k| k == kind)
    {
        let kinds = topology.kinds();
        let there = if kinds.is_empty() {
            "all cores are of one kind here; leave it out".to_owned()
        } else {
            format!("there is {}", kinds.join(", "))
        };
        return Err(BenchError::invalid(format!("kind={kind}"), there));
    }
    let cpus: Vec<usize> = match spec.cores {
        Some(cores) => {
            let mut cpus = topology.one_a_core(kind);
            if cores > cpus.len() && !cpus.is_empty() {
                return Err(BenchError::invalid(
                    format!("cores={cores}"),
                    format!("there are {}; give at most that many", cpus.len()),
                ));
            }
            cpus.truncate(cores);
            cpus
        }
        None => topology
            .cpus()
            .iter()
            .filter(|cpu| kind.is_none() || cpu.kind.as_deref() == kind)
            .map(|cpu| cpu.number)
            .collect(),
    };
    if cpus.is_empty() {
        // A system that does not say which processors it has still says how many.
        let many = std::thread::available_parallelism().map_or(1, usize::from);
        return Ok((0..spec.cores.unwrap_or(many)).collect());
    }
    Ok(cpus)
}

/// A share of the memory that is free, within bounds.
fn memory_a_thread(threads: usize) -> usize {
    let free = std::fs::read_to_string("/proc/meminfo")
        .ok()
        .and_then(|text| available_bytes(&text));
    let share = free.map_or(MEMORY_A_THREAD.0, |free| {
        usize::try_from(free / MEMORY_SHARE).unwrap_or(usize::MAX) / threads.max(1)
    });
    share.clamp(MEMORY_A_THREAD.0, MEMORY_A_THREAD.1)
}

/// `MemAvailable` in kB (Documentation/filesystems/proc.rst).
fn available_bytes(meminfo: &str) -> Option<u64> {
    let line = meminfo.lines().find(|l| l.starts_with("MemAvailable:"))?;
    let kib: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib * 1024)
}

#[cfg(target_os = "linux")]
fn pin(cpu: usize) -> bool {
    use rustix::thread::{CpuSet, sched_setaffinity};
    if cpu >= CpuSet::MAX_CPU {
        return false;
    }
    let mut only = CpuSet::new();
    only.set(cpu);
    sched_setaffinity(None, &only).is_ok()
}

#[cfg(not(target_os = "linux"))]
fn pin(_: usize) -> bool {
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load::LoadKind;

    #[test]
    fn fixed_work_is_done_and_no_more() {
        let spec = LoadSpec {
            work: Some(23),
            ..LoadSpec::of(LoadKind::Branch)
        };
        let threads = Threads::start(&spec, &Topology::default()).expect("starts");
        let begun = Instant::now();
        while !threads.ended() && begun.elapsed() < Duration::from_mins(1) {
            std::thread::sleep(Duration::from_millis(1));
        }
        let sum = threads.stop();
        assert_eq!((sum.done, sum.wrong), (23, 0));
    }

    #[test]
    fn more_cores_than_there_are_is_refused() {
        let folder = tempfile::tempdir().expect("a folder");
        crate::rehearse::make(folder.path(), &crate::rehearse::MachineSpec::from_seed(1))
            .expect("a machine");
        let topology = Topology::of(&crate::Tree::new(folder.path()));
        let on = |text: &str| processors(&text.parse().expect(text), &topology);
        assert_eq!(on("branch").expect("all"), (0..8).collect::<Vec<_>>());
        assert_eq!(on("branch,cores=1").expect("one"), [0]);
        assert_eq!(on("branch,cores=2,kind=small").expect("two"), [4, 5]);
        for wrong in [
            "branch,cores=9",
            "branch,cores=5,kind=large",
            "branch,kind=odd",
        ] {
            let error = on(wrong).expect_err(wrong).to_string();
            assert!(error.contains("there"), "{error}");
        }
    }
}
