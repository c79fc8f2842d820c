//! Limits in hand: from the first change to the putting back.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::former::FormerLimits;
use super::guard::Guard;
use super::rules::{Allowed, LimitWrite, WantedLimits, writes};
use super::{apply, check};
use crate::clock::Clock;
use crate::discover::tree::text;
use crate::error::BenchError;
use crate::session::{End, Snapshot};
use crate::zones::{Zone, package_zones};

/// The former limits, in the folder of the machine's state.
pub(super) const KEPT: &str = "former-limits.json";
const LOCK: &str = "limits.lock";
/// Limits are looked at this often while a run goes on, s. A judgement.
const LOOK_S: f64 = 10.0;

/// What an earlier program had left, and what became of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Leftover {
    /// Its limits were still set; the firmware's are back now.
    PutBack,
    /// The machine has been started again since, so the firmware has set its own.
    StartedAgain,
}

/// Limits of this machine, in this program's hands. When it goes, by any way but a kill, the
/// firmware's own are put back; after a kill the guard does it.
#[derive(Debug)]
pub struct LimitKeeper {
    kept: PathBuf,
    former: FormerLimits,
    zones: Vec<Zone>,
    guard: Guard,
    set: Vec<LimitWrite>,
    leftover: Option<Leftover>,
    is_back: bool,
    /// Held until the firmware's limits are back.
    _lock: File,
}

impl LimitKeeper {
    /// Takes the limits under `root` in hand: puts back what an earlier program left, keeps the
    /// firmware's own in the folder `store` and starts the guard. Nothing is changed yet.
    ///
    /// `guard` is a command that calls [`watch`](super::watch) with this store, its standard input
    /// and its standard output.
    ///
    /// # Errors
    /// [`BenchError::Refused`] if there are no limits here, they are switched off, or may not be
    /// written; [`BenchError::Invalid`] if another program has them in hand; [`BenchError::File`];
    /// [`BenchError::Command`] if the guard does not start.
    pub fn begin(root: &Path, store: &Path, guard: &mut Command) -> Result<Self, BenchError> {
        std::fs::create_dir_all(store).map_err(|e| BenchError::file(store, "make", e))?;
        let lock = lock(store)?;
        let kept = store.join(KEPT);
        let leftover = put_back_leftover(&kept)?;
        let zones = package_zones(root);
        refuse_unusable(&zones)?;
        let former = FormerLimits::of(&zones);
        former.keep(&kept)?;
        let guard = Guard::start(guard).inspect_err(|_| {
            // Nothing was changed, so there is nothing to be put back.
            let _ = std::fs::remove_file(&kept);
        })?;
        Ok(Self {
            kept,
            former,
            zones,
            guard,
            set: Vec::new(),
            leftover,
            is_back: false,
            _lock: lock,
        })
    }

    /// What an earlier program had left.
    pub fn leftover(&self) -> Option<&Leftover> {
        self.leftover.as_ref()
    }

    /// The zones as the firmware had set them.
    pub fn zones(&self) -> &[Zone] {
        &self.zones
    }

    /// Whether limits may be written here, without writing any.
    ///
    /// # Errors
    /// As [`writes`].
    pub fn allows(&self, wanted: &WantedLimits, allowed: &Allowed) -> Result<(), BenchError> {
        for zone in &self.zones {
            writes(zone, wanted, allowed)?;
        }
        Ok(())
    }

    /// Sets limits on every package and reads them back. What is not wanted is the firmware's own.
    ///
    /// # Errors
    /// [`BenchError::Refused`] before anything is written; [`BenchError::NotHeld`];
    /// [`BenchError::Command`] if the guard has gone.
    pub fn set(
        &mut self,
        wanted: &WantedLimits,
        allowed: &Allowed,
        clock: &dyn Clock,
    ) -> Result<(), BenchError> {
        let mut all = Vec::new();
        for zone in &self.zones {
            all.extend(writes(zone, wanted, allowed)?);
        }
        if !self.guard.watches() {
            return Err(BenchError::Command {
                command: "guard of the limits".to_owned(),
                detail:
                    "it has ended, and without it no limit is changed; start the campaign again, \
                         it goes on where it stopped"
                        .to_owned(),
            });
        }
        self.set = all;
        apply(&self.set, clock)
    }

    /// Whether what was set is still held.
    ///
    /// # Errors
    /// [`BenchError::NotHeld`].
    pub fn check(&self) -> Result<(), BenchError> {
        check(&self.set)
    }

    /// Puts the firmware's own limits back.
    ///
    /// # Errors
    /// [`BenchError::NotHeld`] with what is not back; the guard then tries on for a while.
    pub fn put_back(mut self) -> Result<(), BenchError> {
        let failed = self.back();
        if failed.is_empty() {
            return Ok(());
        }
        Err(BenchError::NotHeld {
            limit: "the firmware's own limits".to_owned(),
            detail: format!(
                "could not all be put back ({}); start the machine again, which sets them",
                failed.join("; ")
            ),
        })
    }

    fn back(&mut self) -> Vec<String> {
        if self.is_back {
            return Vec::new();
        }
        self.is_back = true;
        let failed = self.former.put_back();
        if failed.is_empty() {
            // If it stays, the next campaign puts back what is back already.
            let _ = std::fs::remove_file(&self.kept);
        }
        self.guard.release(failed.is_empty());
        failed
    }
}

impl Drop for LimitKeeper {
    fn drop(&mut self) {
        self.back();
    }
}

/// Looks at limits while a run goes on: now and then, and at once after the machine slept, when
/// firmware may have set its own.
#[derive(Debug)]
pub struct LimitWatch<'k> {
    keeper: Option<&'k LimitKeeper>,
    looked_s: f64,
    moved: Option<BenchError>,
}

impl<'k> LimitWatch<'k> {
    /// A watch over limits in hand; without any it sees nothing.
    pub const fn new(keeper: Option<&'k LimitKeeper>) -> Self {
        Self {
            keeper,
            looked_s: 0.0,
            moved: None,
        }
    }

    /// Takes a row of the run; gives the run's end if limits are no longer held.
    pub fn look(&mut self, now: &Snapshot<'_>) -> Option<End> {
        if now.slept_s > 0.0 || now.time_s - self.looked_s >= LOOK_S {
            self.looked_s = now.time_s;
            self.moved = self.keeper.and_then(|keeper| keeper.check().err());
        }
        self.moved
            .is_some()
            .then_some(End::LimitsMoved { at_s: now.time_s })
    }

    /// Which limit moved, and why that may be.
    pub fn moved(self) -> Option<BenchError> {
        self.moved
    }
}

/// One program at a time has the limits of a machine in hand.
pub(super) fn lock(store: &Path) -> Result<File, BenchError> {
    let path = store.join(LOCK);
    let file = File::create(&path).map_err(|e| BenchError::file(&path, "write", e))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(std::fs::TryLockError::WouldBlock) => Err(BenchError::invalid(
            "limits",
            "another campaign has the limits of this machine in hand; wait until it has ended",
        )),
        Err(std::fs::TryLockError::Error(e)) => Err(BenchError::file(&path, "lock", e)),
    }
}

fn put_back_leftover(kept: &Path) -> Result<Option<Leftover>, BenchError> {
    let Some(former) = FormerLimits::kept(kept)? else {
        return Ok(None);
    };
    if !former.is_of_this_start() {
        std::fs::remove_file(kept).map_err(|e| BenchError::file(kept, "remove", e))?;
        return Ok(Some(Leftover::StartedAgain));
    }
    let failed = former.put_back();
    if !failed.is_empty() {
        return Err(BenchError::NotHeld {
            limit: "limits of an earlier campaign".to_owned(),
            detail: format!(
                "the firmware's own could not be put back ({}); start the machine again, which sets \
                 them",
                failed.join("; ")
            ),
        });
    }
    Ok(Some(Leftover::PutBack))
}

fn refuse_unusable(zones: &[Zone]) -> Result<(), BenchError> {
    let refuse = |limit: &str, detail: String| {
        Err(BenchError::Refused {
            limit: limit.to_owned(),
            detail,
        })
    };
    if zones.is_empty() {
        return refuse(
            "limits",
            "this machine shows no power limits that could be written (its processor or kernel has no \
             such interface); leave --write-limits out and set limits by hand in the firmware"
                .to_owned(),
        );
    }
    for zone in zones {
        if text(&zone.folder.join("enabled")).as_deref() == Some("0") {
            return refuse(
                &zone.id,
                format!(
                    "limits of this zone are switched off, so nothing written there would act; write 1 \
                     to {}, or set limits by hand in the firmware",
                    zone.folder.join("enabled").display()
                ),
            );
        }
        for constraint in &zone.constraints {
            let path = zone
                .folder
                .join(format!("constraint_{}_power_limit_uw", constraint.number));
            if let Err(e) = File::options().write(true).open(&path) {
                return refuse(
                    &format!("{} {}", zone.id, constraint.name),
                    format!(
                        "{} may not be written ({e}); run as root, or leave --write-limits out and \
                         set limits by hand in the firmware",
                        path.display()
                    ),
                );
            }
        }
    }
    Ok(())
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use crate::discover::tree::number;
    use crate::rehearse::{MachineSpec, Rehearsal, make};

    const LONG: &str = "sys/class/powercap/intel-rapl:0/constraint_0_power_limit_uw";

    /// Says that it watches, and then only waits for the end of its input.
    fn stand_in() -> Command {
        let mut command = Command::new("/bin/sh");
        command.args(["-c", "echo ready; cat >/dev/null"]);
        command
    }

    fn machine(locked: bool) -> (tempfile::TempDir, f64) {
        let folder = tempfile::tempdir().expect("a folder");
        let spec = MachineSpec {
            speed: 1000.0,
            locked,
            ..MachineSpec::from_seed(3)
        };
        make(folder.path(), &spec).expect("a machine");
        (folder, spec.pl1_w)
    }

    fn pl1(watts: f64) -> WantedLimits {
        WantedLimits {
            pl1_w: Some(watts),
            ..WantedLimits::default()
        }
    }

    #[test]
    fn limits_are_set_held_and_put_back() {
        let (folder, pl1_w) = machine(false);
        let (root, store) = (folder.path(), folder.path().join("state"));
        let on = Rehearsal::switch_on(root).expect("on");
        let before = number(&root.join(LONG)).expect("a limit");
        let mut keeper = LimitKeeper::begin(root, &store, &mut stand_in()).expect("in hand");
        let twice = LimitKeeper::begin(root, &store, &mut stand_in()).expect_err("one at a time");
        assert!(twice.to_string().contains("another campaign"), "{twice}");
        let plain = Allowed::default();
        keeper.set(&pl1(0.5 * pl1_w), &plain, &on).expect("held");
        let now = number(&root.join(LONG)).expect("a limit");
        // Firmware rounds down to 1/8 W.
        assert!((0.0..0.126e6).contains(&(0.5e6 * pl1_w - now)), "{now}");
        assert!(store.join(KEPT).exists(), "kept before the first change");
        std::fs::write(root.join(LONG), "9000000").expect("a rival");
        let said = keeper.check().expect_err("not held").to_string();
        assert!(said.contains("something else"), "{said}");
        keeper.put_back().expect("back");
        assert_eq!(number(&root.join(LONG)), Some(before));
        assert!(!store.join(KEPT).exists());
    }

    #[test]
    fn a_panic_puts_them_back_too() {
        let (folder, pl1_w) = machine(false);
        let (root, store) = (folder.path().to_path_buf(), folder.path().join("state"));
        let before = number(&root.join(LONG)).expect("a limit");
        let thread = std::thread::spawn(move || {
            let on = Rehearsal::switch_on(&root).expect("on");
            let mut keeper = LimitKeeper::begin(&root, &store, &mut stand_in()).expect("in hand");
            let set = keeper.set(&pl1(0.5 * pl1_w), &Allowed::default(), &on);
            assert!(set.is_err(), "it is held, so this ends the thread");
        });
        assert!(thread.join().is_err());
        assert_eq!(number(&folder.path().join(LONG)), Some(before));
    }

    #[test]
    fn locked_firmware_is_told_apart() {
        let (folder, pl1_w) = machine(true);
        let root = folder.path();
        let on = Rehearsal::switch_on(root).expect("on");
        let store = root.join("state");
        let mut keeper = LimitKeeper::begin(root, &store, &mut stand_in()).expect("in hand");
        let set = keeper.set(&pl1(0.5 * pl1_w), &Allowed::default(), &on);
        let said = set.expect_err("not held").to_string();
        assert!(said.contains("locked"), "{said}");
    }

    #[test]
    fn nothing_is_changed_without_a_guard() {
        let (folder, pl1_w) = machine(false);
        let root = folder.path();
        let store = root.join("state");
        let none = LimitKeeper::begin(root, &store, &mut Command::new("/bin/false"));
        let said = none.expect_err("no guard").to_string();
        assert!(said.contains("no limit was changed"), "{said}");
        assert!(!store.join(KEPT).exists());
        let on = Rehearsal::switch_on(root).expect("on");
        let mut ends = Command::new("/bin/sh");
        ends.args(["-c", "echo ready"]);
        let mut keeper = LimitKeeper::begin(root, &store, &mut ends).expect("in hand");
        while keeper.guard.watches() {}
        let set = keeper.set(&pl1(0.5 * pl1_w), &Allowed::default(), &on);
        assert!(set.is_err_and(|e| e.to_string().contains("guard")));
    }

    #[test]
    fn what_a_dead_program_left_is_put_back_first() {
        let (folder, _) = machine(false);
        let (root, store) = (folder.path(), folder.path().join("state"));
        std::fs::create_dir(&store).expect("a folder");
        let before = number(&root.join(LONG)).expect("a limit");
        FormerLimits::of(&package_zones(root))
            .keep(&store.join(KEPT))
            .expect("kept");
        std::fs::write(root.join(LONG), "9000000").expect("changed");
        let keeper = LimitKeeper::begin(root, &store, &mut stand_in()).expect("in hand");
        assert_eq!(keeper.leftover(), Some(&Leftover::PutBack));
        assert_eq!(number(&root.join(LONG)), Some(before));
        let set_w = keeper.zones()[0].constraints[0].power_w;
        assert!(
            (1e6 * set_w - before).abs() < 0.5,
            "the ceiling is the firmware's"
        );
    }

    #[test]
    fn what_was_left_before_a_restart_is_the_firmware_s_business() {
        let (folder, _) = machine(false);
        let (root, store) = (folder.path(), folder.path().join("state"));
        std::fs::create_dir(&store).expect("a folder");
        let kept = store.join(KEPT);
        FormerLimits::of(&package_zones(root))
            .keep(&kept)
            .expect("kept");
        // As a program of another start of this machine would have left it.
        let text = std::fs::read_to_string(&kept).expect("kept");
        let here = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
        std::fs::write(&kept, text.replace(here.trim(), "another")).expect("changed");
        std::fs::write(root.join(LONG), "9000000").expect("the firmware's");
        let keeper = LimitKeeper::begin(root, &store, &mut stand_in()).expect("in hand");
        if !here.is_empty() {
            assert_eq!(keeper.leftover(), Some(&Leftover::StartedAgain));
            assert_eq!(number(&root.join(LONG)), Some(9e6), "it is left alone");
        }
    }

    #[test]
    fn zones_that_are_switched_off_or_absent_are_refused() {
        let (folder, _) = machine(false);
        let root = folder.path();
        let store = root.join("state");
        let zone = root.join("sys/class/powercap/intel-rapl:0");
        std::fs::write(zone.join("enabled"), "0\n").expect("off");
        let said = LimitKeeper::begin(root, &store, &mut stand_in()).expect_err("off");
        assert!(said.to_string().contains("switched off"), "{said}");
        std::fs::remove_dir_all(&zone).expect("gone");
        let said = LimitKeeper::begin(root, &store, &mut stand_in()).expect_err("none");
        assert!(said.to_string().contains("by hand"), "{said}");
    }
}
