//! Clocks that tests move.

#![expect(dead_code, reason = "each test program uses its own share of this")]

use std::cell::{Cell, RefCell};
use std::path::PathBuf;

use settlepoint_bench::{Clock, Moment};

/// Nanoseconds in a second.
pub(crate) const S: i64 = 1_000_000_000;

/// What happens to the clocks once a time is reached.
#[derive(Clone, Debug)]
pub(crate) enum Event {
    /// The machine sleeps this long.
    Sleep(i64),
    /// The wall clock is set by this.
    Set(i128),
    /// Nobody gets to run for this long.
    Stall(i64),
    /// Firmware or a service writes a file.
    Write(PathBuf, String),
}

/// Clocks that stand still until somebody waits.
#[derive(Debug, Default)]
pub(crate) struct TestClock {
    now: Cell<Moment>,
    events: RefCell<Vec<(i64, Event)>>,
}

impl TestClock {
    pub(crate) fn with(events: &[(i64, Event)]) -> Self {
        Self {
            now: Cell::default(),
            events: RefCell::new(events.to_vec()),
        }
    }

    /// The next event whose time has come.
    fn due(&self) -> Option<Event> {
        let mut events = self.events.borrow_mut();
        let now_ns = self.now.get().awake_ns;
        let place = events.iter().position(|(at, _)| *at <= now_ns)?;
        Some(events.remove(place).1)
    }

    fn pass(&self, ns: i64) {
        let mut now = self.now.get();
        now.awake_ns += ns;
        now.elapsed_ns += ns;
        now.wall_ns += i128::from(ns);
        self.now.set(now);
    }
}

impl Clock for TestClock {
    fn now(&self) -> Moment {
        self.now.get()
    }

    fn sleep_until(&self, awake_ns: i64) {
        self.pass((awake_ns - self.now.get().awake_ns).max(0));
        while let Some(event) = self.due() {
            let mut now = self.now.get();
            match event {
                Event::Sleep(ns) => {
                    now.elapsed_ns += ns;
                    now.wall_ns += i128::from(ns);
                    self.now.set(now);
                }
                Event::Set(ns) => {
                    now.wall_ns += ns;
                    self.now.set(now);
                }
                Event::Stall(ns) => self.pass(ns),
                Event::Write(file, text) => std::fs::write(file, text).expect("a file"),
            }
        }
    }
}
