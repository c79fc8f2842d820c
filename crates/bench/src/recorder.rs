//! The recorder: wakes at each tick, reads every channel once, hands the row on.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use settlepoint_domain::{Averaging, Channel, LogStart, Role, Unit, Zone};

use crate::account::{Account, ReadErrors};
use crate::clock::{Clock, Moment};
use crate::discover::discover;
use crate::error::BenchError;
use crate::found::Found;
use crate::outbox::Outbox;
use crate::read::Source;
use crate::sink::{Header, Sink};

const NS: f64 = 1e-9;
/// A longer difference between the clock that sleeps and the one that does not is a sleep.
const SLEEP_NS: i64 = 500_000_000;
/// Slower changes of the wall clock are its discipline, faster ones a setting.
const CLOCK_SET_NS: i128 = 50_000_000;
/// Longest sleep in one go, so that an end asked for is seen.
const NAP_NS: i64 = 500_000_000;
/// First and longest wait before a lost channel is looked for again.
const LOOK_AGAIN_S: (f64, f64) = (1.0, 60.0);

/// A value that something else than a file gives: a load's work, a command's output.
#[derive(Clone, Debug)]
pub struct Feed {
    /// The column.
    pub column: String,
    /// Its role.
    pub role: Role,
    /// Its unit.
    pub unit: Unit,
    /// Where the value comes from, in words.
    pub reason: String,
    /// The value now, as the bits of an `f64`.
    pub value: Arc<AtomicU64>,
}

impl Feed {
    /// A feed without a value yet.
    pub fn new(column: &str, role: Role, unit: Unit, reason: &str) -> Self {
        Self {
            column: column.to_owned(),
            role,
            unit,
            reason: reason.to_owned(),
            value: Arc::new(AtomicU64::new(f64::NAN.to_bits())),
        }
    }
}

/// What a recorder needs to know.
#[derive(Debug)]
pub struct Plan<'a> {
    /// Where lost channels are looked for.
    pub root: &'a Path,
    /// What to record, as discovered.
    pub found: &'a [Found],
    /// Other values.
    pub feeds: Vec<Feed>,
    /// Time between ticks, s.
    pub period_s: f64,
}

#[derive(Debug)]
struct Slot {
    id: String,
    label: String,
    source: Option<Source>,
    found: Found,
    errors: Option<ReadErrors>,
    failing: Option<Failing>,
}

#[derive(Clone, Copy, Debug)]
struct Failing {
    look_at_s: f64,
    wait_s: f64,
}

/// One row, as just taken.
#[derive(Clone, Copy, Debug)]
pub struct Tick<'a> {
    /// Seconds since the first row.
    pub time_s: f64,
    /// One reading a channel; NaN is missing.
    pub readings: &'a [f64],
    /// Nanoseconds since 1970 UTC by the wall clock.
    pub wall_ns: i128,
    /// How long the machine slept since the row before, s.
    pub slept_s: f64,
}

/// A recording under way. Rows are taken by [`Recorder::tick`], on the caller's thread.
#[derive(Debug)]
pub struct Recorder<'c> {
    root: PathBuf,
    clock: &'c dyn Clock,
    slots: Vec<Slot>,
    feeds: Vec<Feed>,
    header: Header,
    outbox: Option<Outbox>,
    period_ns: i64,
    next_ns: i64,
    start: Moment,
    before: Moment,
    row: Vec<f64>,
    account: Account,
}

/// Channels that the recorder adds: by how much the wall clock has drifted from the log's, ticks
/// missed before the row, channels without a reading in it.
const OWN: [(&str, Unit, &str); 3] = [
    (
        "wall clock shift",
        Unit::Second,
        "wall clock less the log's own clock, since the first row",
    ),
    (
        "missed ticks",
        Unit::None,
        "ticks that came too late before this row",
    ),
    (
        "unread channels",
        Unit::None,
        "channels that could not be read in this row",
    ),
];

impl<'c> Recorder<'c> {
    /// Opens every channel and begins to count time. Rows go to `sink` if there is one.
    ///
    /// # Errors
    /// [`BenchError::Invalid`] for a period that is not above 0 or if nothing can be read.
    pub fn start(
        plan: Plan<'_>,
        clock: &'c dyn Clock,
        sink: Option<Box<dyn Sink>>,
    ) -> Result<Self, BenchError> {
        let period_ns = period_ns(plan.period_s)?;
        let slots: Vec<Slot> = plan.found.iter().map(slot).collect();
        if slots.is_empty() && plan.feeds.is_empty() {
            return Err(BenchError::NothingFound {
                root: plan.root.to_path_buf(),
            });
        }
        let start = clock.now();
        let header = Header {
            channels: channels(plan.found, &plan.feeds),
            start: LogStart {
                unix_ns: start.wall_ns,
                zone: Zone::Known("UTC".to_owned()),
            },
        };
        let width = header.channels.len();
        let outbox = match sink {
            Some(sink) => Some(Outbox::start(header.clone(), sink)?),
            None => None,
        };
        Ok(Self {
            root: plan.root.to_path_buf(),
            clock,
            slots,
            feeds: plan.feeds,
            header,
            outbox,
            period_ns,
            next_ns: start.awake_ns,
            start,
            before: start,
            row: vec![f64::NAN; width + 1],
            account: Account::default(),
        })
    }

    /// The channels, in the order of a row's readings.
    pub fn channels(&self) -> &[Channel] {
        &self.header.channels
    }

    /// When the first row is taken.
    pub fn started(&self) -> &LogStart {
        &self.header.start
    }

    /// The account so far.
    pub fn account(&self) -> &Account {
        &self.account
    }

    /// What keeps rows from the disk just now, if anything does; they wait in memory.
    pub fn trouble(&self) -> Option<String> {
        self.outbox.as_ref().and_then(Outbox::trouble)
    }

    /// Whether any row is on the disk.
    pub fn begun(&self) -> bool {
        self.outbox.as_ref().is_some_and(Outbox::begun)
    }

    /// Whether the next tick is due; sleeps towards it otherwise, in naps short enough to ask for an
    /// end in between.
    pub fn wait(&self) -> bool {
        let now = self.clock.now().awake_ns;
        if now >= self.next_ns {
            return true;
        }
        self.clock.sleep_until(self.next_ns.min(now + NAP_NS));
        self.clock.now().awake_ns >= self.next_ns
    }

    /// Waits for the next tick and takes its row.
    ///
    /// # Errors
    /// [`BenchError::Sink`] once the sink has ended.
    pub fn tick(&mut self) -> Result<Tick<'_>, BenchError> {
        while !self.wait() {}
        let now = self.clock.now();
        let missed = self.schedule(now.awake_ns);
        let time_s = (now.elapsed_ns - self.start.elapsed_ns) as f64 * NS;
        let slept_s = self.note_clocks(now, time_s);
        let unread = self.read_all(time_s);
        self.fill_own(now, missed, unread);
        self.before = now;
        self.row[0] = time_s;
        self.account.rows += 1;
        self.account.missed_ticks += missed;
        self.account.duration_s = time_s;
        if let Some(outbox) = &mut self.outbox {
            let period = Duration::from_nanos(self.period_ns.unsigned_abs());
            outbox.put(&self.row, period)?;
        }
        if unread > 0 {
            self.look_for_lost(time_s);
        }
        Ok(Tick {
            time_s,
            readings: &self.row[1..],
            wall_ns: now.wall_ns,
            slept_s,
        })
    }

    /// Ends the recording once every row is kept.
    ///
    /// # Errors
    /// [`BenchError::Sink`] if rows could not be kept.
    pub fn finish(mut self) -> Result<Account, BenchError> {
        self.account.read_errors = self
            .slots
            .iter_mut()
            .filter_map(|s| {
                let back = s.failing.is_none();
                s.errors.take().map(|e| ReadErrors { back, ..e })
            })
            .collect();
        if let Some(outbox) = self.outbox.take() {
            outbox.close()?;
        }
        Ok(std::mem::take(&mut self.account))
    }

    /// Sets the time of the next tick; gives the number of those that passed unused.
    fn schedule(&mut self, now_ns: i64) -> u64 {
        let late = (now_ns - self.next_ns).div_euclid(self.period_ns).max(0);
        self.next_ns += (late + 1) * self.period_ns;
        late.unsigned_abs()
    }

    /// Notes sleeps and settings of the wall clock since the row before; gives the sleep in s.
    fn note_clocks(&mut self, now: Moment, time_s: f64) -> f64 {
        let before = self.before;
        let elapsed = now.elapsed_ns - before.elapsed_ns;
        let slept = elapsed - (now.awake_ns - before.awake_ns);
        let set = now.wall_ns - before.wall_ns - i128::from(elapsed);
        if set.abs() > CLOCK_SET_NS {
            self.account.clock_set.push((time_s, set as f64 * NS));
        }
        if slept <= SLEEP_NS {
            return 0.0;
        }
        self.account.sleeps.push((time_s, slept as f64 * NS));
        slept as f64 * NS
    }

    /// Reads every channel; gives how many had none.
    fn read_all(&mut self, time_s: f64) -> u32 {
        let mut unread = 0;
        let (clock, start) = (self.clock, self.start.elapsed_ns);
        let now_s = || (clock.now().elapsed_ns - start) as f64 * NS;
        for (slot, cell) in self.slots.iter_mut().zip(&mut self.row[1..]) {
            *cell = slot.read(time_s, now_s);
            unread += u32::from(slot.failing.is_some());
        }
        let feeds = &mut self.row[1 + self.slots.len()..];
        for (feed, cell) in self.feeds.iter().zip(feeds) {
            *cell = f64::from_bits(feed.value.load(Ordering::Relaxed));
        }
        unread
    }

    fn fill_own(&mut self, now: Moment, missed: u64, unread: u32) {
        let elapsed = i128::from(now.elapsed_ns - self.start.elapsed_ns);
        let shift = now.wall_ns - self.start.wall_ns - elapsed;
        let first = 1 + self.slots.len() + self.feeds.len();
        let own = [shift as f64 * NS, missed as f64, f64::from(unread)];
        for (cell, value) in self.row[first..].iter_mut().zip(own) {
            *cell = value;
        }
    }

    /// Chips may come back under another number: they are looked for by their names.
    fn look_for_lost(&mut self, time_s: f64) {
        let due = |s: &Slot| s.failing.is_some_and(|f| f.look_at_s <= time_s);
        if !self.slots.iter().any(due) {
            return;
        }
        let there = discover(&self.root).unwrap_or_default();
        for slot in self.slots.iter_mut().filter(|s| due(s)) {
            let found = there
                .iter()
                .find(|f| f.id == slot.id && f.problem.is_none());
            if let Some(file) = slot.look_again(found, time_s) {
                self.account.moved.push((slot.label.clone(), file));
            }
        }
    }
}

impl Slot {
    fn read(&mut self, time_s: f64, now_s: impl FnOnce() -> f64) -> f64 {
        let value = match &mut self.source {
            Some(source) => source.read(now_s),
            None => Err(std::io::Error::other("it is not there")),
        };
        match value {
            Ok(value) => {
                self.failing = None;
                value
            }
            Err(error) => {
                self.note(time_s, &error);
                f64::NAN
            }
        }
    }

    fn note(&mut self, time_s: f64, error: &std::io::Error) {
        self.failing.get_or_insert(Failing {
            look_at_s: time_s + LOOK_AGAIN_S.0,
            wait_s: LOOK_AGAIN_S.0,
        });
        let errors = self.errors.get_or_insert_with(|| ReadErrors {
            label: self.label.clone(),
            count: 0,
            first_s: time_s,
            last_s: time_s,
            why: String::new(),
            back: false,
        });
        errors.count += 1;
        errors.last_s = time_s;
        if errors.count.is_power_of_two() {
            errors.why = error.to_string();
        }
    }

    /// Opens the channel again where it is now; gives the file if that is another one.
    fn look_again(&mut self, found: Option<&Found>, time_s: f64) -> Option<String> {
        let failing = self.failing.as_mut()?;
        failing.wait_s = (2.0 * failing.wait_s).min(LOOK_AGAIN_S.1);
        failing.look_at_s = time_s + failing.wait_s;
        let found = found?;
        self.source = Source::open(&found.source, found.reading).ok();
        if found.source == self.found.source {
            return None;
        }
        self.found = found.clone();
        Some(found.source.display().to_string())
    }
}

fn period_ns(period_s: f64) -> Result<i64, BenchError> {
    if !(1e-3..=3600.0).contains(&period_s) {
        return Err(BenchError::invalid(
            "rate",
            format!("a sample every {period_s} s; give between 1000 a second and one an hour"),
        ));
    }
    #[expect(clippy::cast_possible_truncation, reason = "at most an hour")]
    Ok((period_s * 1e9).round() as i64)
}

fn slot(found: &Found) -> Slot {
    Slot {
        id: found.id.clone(),
        label: found.label.clone(),
        source: Source::open(&found.source, found.reading).ok(),
        found: found.clone(),
        errors: None,
        failing: None,
    }
}

fn channels(found: &[Found], feeds: &[Feed]) -> Vec<Channel> {
    let plain = |column: &str, role, unit, reason: &str| Channel {
        role,
        column: column.to_owned(),
        column_number: 0,
        unit,
        part: "package".to_owned(),
        reason: reason.to_owned(),
        resolution: None,
        averaging: Averaging::Instant,
        values: Vec::new(),
    };
    let mut channels: Vec<Channel> = found
        .iter()
        .enumerate()
        .map(|(i, f)| f.channel(i))
        .collect();
    channels.extend(
        feeds
            .iter()
            .map(|f| plain(&f.column, f.role, f.unit, &f.reason)),
    );
    channels.extend(OWN.map(|(column, unit, reason)| plain(column, Role::Other, unit, reason)));
    for (index, channel) in channels.iter_mut().enumerate() {
        channel.column_number = index + 1;
    }
    channels
}
