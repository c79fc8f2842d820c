//! Time at the bench: a clock that runs through sleep, one that does not, and the wall's.

use std::fmt::Debug;

/// The three clocks at one moment, in nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Moment {
    /// Runs on while the machine sleeps and is never set: what logs count.
    pub elapsed_ns: i64,
    /// Stands still while the machine sleeps and is never set: what ticks are kept by.
    pub awake_ns: i64,
    /// Since 1970-01-01T00:00 UTC; may be set at any time.
    pub wall_ns: i128,
}

/// Where time comes from. A rehearsal has its own, which runs faster.
pub trait Clock: Debug {
    /// Now.
    fn now(&self) -> Moment;

    /// Waits until [`Moment::awake_ns`] is at least this; may return early.
    fn sleep_until(&self, awake_ns: i64);
}

/// The machine's own clocks.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

#[cfg(target_os = "linux")]
mod system {
    use rustix::thread::{ClockId as SleepClock, clock_nanosleep_absolute};
    use rustix::time::{ClockId, Timespec, clock_gettime};

    use super::{Clock, Moment, SystemClock};

    fn ns(id: ClockId) -> i64 {
        let time = clock_gettime(id);
        time.tv_sec * 1_000_000_000 + time.tv_nsec
    }

    impl Clock for SystemClock {
        fn now(&self) -> Moment {
            Moment {
                elapsed_ns: ns(ClockId::Boottime),
                awake_ns: ns(ClockId::Monotonic),
                wall_ns: i128::from(ns(ClockId::Realtime)),
            }
        }

        fn sleep_until(&self, awake_ns: i64) {
            let until = Timespec {
                tv_sec: awake_ns.div_euclid(1_000_000_000),
                tv_nsec: awake_ns.rem_euclid(1_000_000_000),
            };
            // A signal ends the sleep early, which the caller allows for.
            let _ = clock_nanosleep_absolute(SleepClock::Monotonic, &until);
        }
    }
}

#[cfg(not(target_os = "linux"))]
mod system {
    use std::sync::OnceLock;
    use std::time::{Duration, Instant, SystemTime};

    use super::{Clock, Moment, SystemClock};

    fn awake_ns() -> i64 {
        static BEGIN: OnceLock<Instant> = OnceLock::new();
        i64::try_from(BEGIN.get_or_init(Instant::now).elapsed().as_nanos()).unwrap_or(i64::MAX)
    }

    impl Clock for SystemClock {
        fn now(&self) -> Moment {
            let wall = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
            Moment {
                elapsed_ns: awake_ns(),
                awake_ns: awake_ns(),
                wall_ns: wall.map_or(0, |d| i128::try_from(d.as_nanos()).unwrap_or(0)),
            }
        }

        fn sleep_until(&self, until_ns: i64) {
            let left = until_ns - awake_ns();
            if let Ok(left) = u64::try_from(left) {
                std::thread::sleep(Duration::from_nanos(left));
            }
        }
    }
}
