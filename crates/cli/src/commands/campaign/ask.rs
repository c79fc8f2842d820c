//! What the user is asked: to have read the cautions, and to make settings by hand.

use std::io::BufRead as _;
use std::path::{Path, PathBuf};

use settlepoint_bench::{package_zones, state_folder};
use settlepoint_domain::LimitValue;

use super::jobs::Job;
use crate::error::{Code, Failure};

/// The settings' rounding by firmware, W and s.
const NEAR: f64 = 0.02;

const CAUTIONS: &str = "\
Before power limits are written, please read:
- Limits above the maker's can damage the processor, its board or the power supply, and may void the
  warranty. The makers' instructions come before this program's.
- A machine at its limits may hang or lose data. Close other work, and keep a copy of what matters
  elsewhere.
- Heat sinks, radiators and regulators burn. Switch off, unplug and let it cool before you touch
  anything inside. Never open a power supply, never defeat a thermal protection, never block a fan.
- Stay near while loads run. The stop temperature of a campaign is a convenience, not a protection;
  the processor's own protection must stay as the maker set it.
- Supply, leads and outlet must carry the load: local codes apply, and wiring is for licensed people.
- The firmware's limits are put back at the end, after Ctrl-C and after a crash of this program. After
  a crash of the machine its firmware sets them at the next start.
";

/// The short code of the cautions; another text has another code.
pub(super) fn code() -> String {
    // FNV-1a with 32 bits (constants from memory); the code only has to differ with the text.
    let hash = CAUTIONS.bytes().fold(0x811c_9dc5_u32, |hash, byte| {
        (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193)
    });
    format!("{hash:08x}")
}

/// Asks for the cautions to be read, once a machine; `given` is the code from the command line.
pub(super) fn cautions(root: &Path, given: Option<&str>) -> Result<(), Failure> {
    let (folder, code) = (state_folder(root), code());
    let accepted = folder.join("cautions-read");
    let before = std::fs::read_to_string(&accepted).unwrap_or_default();
    if given.is_none() && before.trim() == code {
        return Ok(());
    }
    if let Some(given) = given {
        if given != code {
            return Err(Failure::usage(format!(
                "{CAUTIONS}--yes {given} is not the code of these cautions; it is {code}"
            )));
        }
    } else {
        crate::message(&format!(
            "{CAUTIONS}Type the code {code} to go on (or give it as --yes {code}): "
        ));
        if line()?.as_deref() != Some(code.as_str()) {
            return Err(Failure::new(
                Code::Interrupted,
                "not the code; no limit was changed",
            ));
        }
    }
    // If it cannot be kept, the question comes again next time.
    let _ = std::fs::create_dir_all(&folder).and_then(|()| std::fs::write(&accepted, code + "\n"));
    Ok(())
}

/// A line from standard input without its end; `None` if there is none.
fn line() -> Result<Option<String>, Failure> {
    let mut text = String::new();
    let read = std::io::stdin().lock().read_line(&mut text);
    let count = read.map_err(|e| Failure::data(format!("cannot read standard input: {e}")))?;
    Ok((count > 0).then(|| text.trim().to_owned()))
}

/// What the user answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Answered {
    /// The setting is made; record here.
    Made,
    /// The log of this run.
    Log(PathBuf),
    /// Leave this run out for now.
    Skip,
    /// End the campaign for now.
    Quit,
}

/// What stands between the machine and a job's setting, to be done by hand.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct ByHand {
    /// Made or said before in this campaign, as `changes` words them.
    made: Vec<(&'static str, String)>,
}

impl ByHand {
    /// Changes for a job. `written` power limits are not among them; those that the machine shows are
    /// left out if they hold already.
    pub(super) fn changes(
        &self,
        job: &Job,
        root: &Path,
        written: bool,
        rehearsed: bool,
    ) -> Vec<(&'static str, String)> {
        let mut all = Vec::new();
        let setting = &job.setting;
        if !written {
            let shown = shown(root);
            for (what, unit, limit, now) in [
                ("PL1", "W", setting.pl1_w, shown[0]),
                ("PL2", "W", setting.pl2_w, shown[1]),
                ("tau", "s", setting.tau_s, shown[2]),
            ] {
                if !holds(limit, now) {
                    all.push((what, in_words(limit, unit)));
                }
            }
        }
        if !rehearsed {
            if setting.temp_limit_c != LimitValue::Unknown {
                all.push(("temperature limit", in_words(setting.temp_limit_c, "°C")));
            }
            if let Some(rpm) = job.fan_max_rpm() {
                all.push(("highest fan speed", format!("{rpm} rpm")));
            }
        }
        for (what, name) in [("cooling", &job.row.cooling), ("tune", &job.row.tune)] {
            if !name.is_empty() {
                all.push((what, name.clone()));
            }
        }
        let shows_it = |what: &str| ["PL1", "PL2", "tau"].contains(&what);
        all.retain(|change| !self.made.contains(change) || shows_it(change.0) && knows(root));
        all
    }

    /// The machine has the cooling and tune that its first run names, unless it is said otherwise.
    pub(super) fn assume(&mut self, job: &Job) {
        self.note(&[
            ("cooling", job.row.cooling.clone()),
            ("tune", job.row.tune.clone()),
        ]);
    }

    /// Notes what the machine has now.
    pub(super) fn note(&mut self, changes: &[(&'static str, String)]) {
        for (what, value) in changes {
            self.made.retain(|(before, _)| before != what);
            self.made.push((what, value.clone()));
        }
    }
}

/// Power limits and window as the first package shows them.
fn shown(root: &Path) -> [Option<f64>; 3] {
    let zones = package_zones(root);
    let Some(zone) = zones.first() else {
        return [None; 3];
    };
    let (long, short) = (zone.named("long_term"), zone.named("short_term"));
    [
        long.map(|c| c.power_w),
        short.map(|c| c.power_w),
        long.and_then(|c| c.window_s),
    ]
}

fn knows(root: &Path) -> bool {
    shown(root).iter().any(Option::is_some)
}

/// Whether a limit stands as wanted, as far as the machine shows it. What is automatic or unlimited
/// cannot be seen and is asked for once.
fn holds(limit: LimitValue, now: Option<f64>) -> bool {
    match (limit, now) {
        (LimitValue::Unknown, _) => true,
        (LimitValue::Value(wanted), Some(now)) => (wanted - now).abs() <= NEAR * wanted,
        _ => false,
    }
}

fn in_words(limit: LimitValue, unit: &str) -> String {
    match limit {
        LimitValue::Value(value) => format!("{value} {unit}"),
        other => other.to_string(),
    }
}

/// Asks for changes to be made, or for a log.
pub(super) fn ask(
    place: &str,
    job: &Job,
    changes: &[(&'static str, String)],
    elsewhere: bool,
) -> Result<Answered, Failure> {
    let mut text = format!("\n{place}");
    if !job.row.reason.is_empty() {
        text += &format!(": {}", job.row.reason);
    }
    text += "\n";
    if !changes.is_empty() {
        text += "Set by hand, as the maker's instructions say:\n";
        for (what, value) in changes {
            text += &format!("  {what}: {value}\n");
        }
    }
    if changes.iter().any(|(what, _)| *what == "cooling") {
        text += "  (to change parts: switch off, unplug, let it cool down)\n";
    }
    if elsewhere {
        text += &format!(
            "Run '{}', then give the file of its log; or 'skip'; or 'quit'.\n> ",
            job.row.workload
        );
    } else {
        text += "Then press Enter to record here. If it was run elsewhere, give the file of its log; or \
                 'skip'; or 'quit' (after a restart the campaign goes on here).\n> ";
    }
    crate::message(&crate::view::printable(&text));
    loop {
        let Some(answer) = line()? else {
            return Ok(Answered::Quit);
        };
        match answer.as_str() {
            "" if !elsewhere => return Ok(Answered::Made),
            "skip" => return Ok(Answered::Skip),
            "quit" => return Ok(Answered::Quit),
            file if !file.is_empty() && Path::new(file).is_file() => {
                return Ok(Answered::Log(PathBuf::from(file)));
            }
            other => crate::message(&crate::view::printable(&format!(
                "there is no file '{other}'; give the file of the log, 'skip' or 'quit'\n> "
            ))),
        }
    }
}

/// Asks for the score of a run that was made elsewhere.
pub(super) fn score(run: &str) -> Result<Option<f64>, Failure> {
    crate::message(&crate::view::printable(&format!(
        "Score of '{run}' (Enter if there is none): "
    )));
    loop {
        match line()?.as_deref() {
            None | Some("") => return Ok(None),
            Some(text) => match text.replace(',', ".").parse::<f64>() {
                Ok(score) if score.is_finite() && score > 0.0 => return Ok(Some(score)),
                _ => crate::message("a number above 0, or Enter: "),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_hold_as_firmware_rounds_them() {
        assert!(holds(LimitValue::Unknown, None));
        assert!(holds(LimitValue::Value(125.0), Some(124.875)));
        // 28 s reads back as 27.98 s.
        assert!(holds(LimitValue::Value(28.0), Some(27.983_872)));
        assert!(!holds(LimitValue::Value(125.0), Some(130.0)));
        assert!(!holds(LimitValue::Value(125.0), None));
        assert!(!holds(LimitValue::Unlimited, Some(4000.0)));
    }

    #[test]
    fn the_cautions_say_what_can_be_hurt() {
        for word in [
            "damage",
            "warranty",
            "lose data",
            "burn",
            "unplug",
            "licensed",
            "makers'",
        ] {
            assert!(CAUTIONS.contains(word), "{word}");
        }
        assert_eq!(code().len(), 8);
    }
}
