//! What a terminal shows while a campaign goes on: how far it is, and the run by phase and acting
//! limit.

use std::time::{Duration, Instant};

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use settlepoint_bench::{KnownLimits, Snapshot, Stage, Watcher};

use crate::live::clock;

/// How often the lines change.
const EVERY: Duration = Duration::from_millis(900);

/// Two lines on a terminal, nothing elsewhere.
pub(super) struct Page {
    all: MultiProgress,
    bar: ProgressBar,
    run: ProgressBar,
    last: Option<Instant>,
    trouble: Option<String>,
}

impl Page {
    /// A page for so many seconds of runs.
    pub(super) fn new(whole_s: f64) -> Self {
        let all = MultiProgress::with_draw_target(ProgressDrawTarget::stderr());
        let bar = all.add(ProgressBar::new(whole(whole_s)));
        let run = all.add(ProgressBar::new(1));
        if let Ok(style) = ProgressStyle::with_template("campaign {bar:24} {wide_msg}") {
            bar.set_style(style);
        }
        if let Ok(style) = ProgressStyle::with_template("{wide_msg}") {
            run.set_style(style);
        }
        Self {
            all,
            bar,
            run,
            last: None,
            trouble: None,
        }
    }

    /// Shows a row of a run; `left_s` is what the whole campaign still takes.
    pub(super) fn show(
        &mut self,
        place: &str,
        now: &Snapshot<'_>,
        watcher: &mut Watcher,
        left_s: f64,
    ) {
        let acting = watcher.see(now.time_s, now.power_w, now.package_c);
        if let Some(trouble) = now.trouble
            && self.trouble.as_deref() != Some(trouble)
        {
            self.say(trouble);
            self.trouble = Some(trouble.to_owned());
        }
        if self.bar.is_hidden() || self.last.is_some_and(|last| last.elapsed() < EVERY) {
            return;
        }
        self.last = Some(Instant::now());
        let whole_s = self.bar.length().unwrap_or(0);
        self.bar.set_position(whole_s.saturating_sub(whole(left_s)));
        self.bar
            .set_message(format!("{place}, {} left", duration(left_s)));
        let (phase, held) = match now.stage {
            Stage::Lead => ("idle", ""),
            Stage::CoolDown => ("cool_down", ""),
            Stage::WarmUp | Stage::Run => (acting.phase(), acting.words()),
        };
        let budget_w = watcher.budget_w().filter(|_| phase == "boost");
        self.run.set_message(line(phase, held, now, budget_w));
    }

    /// A message that stays.
    pub(super) fn say(&self, text: &str) {
        let text = crate::view::printable(&format!("settlepoint: {text}"));
        if self.bar.is_hidden() {
            crate::message(&format!("{text}\n"));
        } else {
            // If the terminal is gone there is nobody to tell.
            let _ = self.all.println(text);
        }
    }

    pub(super) fn clear(&self) {
        // Only the picture goes; what was said stays.
        let _ = self.all.clear();
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "seconds of a campaign, not negative"
)]
fn whole(seconds: f64) -> u64 {
    seconds.max(0.0).round() as u64
}

fn line(phase: &str, held: &str, now: &Snapshot<'_>, budget_w: Option<f64>) -> String {
    let mut pieces = vec![format!("{phase:<12}")];
    if !held.is_empty() {
        pieces.push(held.to_owned());
    }
    let value = |value: Option<f64>, unit: &str| value.map(|v| format!("{v:.0} {unit}"));
    pieces.extend(value(now.package_c, "°C"));
    pieces.extend(value(now.power_w, "W"));
    pieces.extend(value(now.clock_mhz, "MHz"));
    pieces.extend(value(now.fan_speed_rpm, "rpm"));
    pieces.extend(value(budget_w, "W of budget"));
    pieces.extend(now.left_s.map(|left_s| format!("{} left", clock(left_s))));
    pieces.join("   ")
}

/// A length for people: seconds, minutes, or hours and minutes.
pub(super) fn duration(seconds: f64) -> String {
    let minutes = whole(seconds / 60.0);
    match minutes {
        0 | 1 => format!("{} s", whole(seconds)),
        2..=119 => format!("{minutes} min"),
        _ => format!("{} h {} min", minutes / 60, minutes % 60),
    }
}

/// The limits of a setting as far as they are numbers.
pub(super) fn known(setting: &settlepoint_domain::Setting) -> KnownLimits {
    KnownLimits {
        pl1_w: setting.pl1_w.value(),
        pl2_w: setting.pl2_w.value(),
        tau_s: setting.tau_s.value(),
        temp_limit_c: setting.temp_limit_c.value(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_as_long_as_they_need_to_be() {
        assert_eq!(duration(45.2), "45 s");
        assert_eq!(duration(80.0), "80 s");
        assert_eq!(duration(1500.0), "25 min");
        assert_eq!(duration(9000.0), "2 h 30 min");
    }

    #[test]
    fn a_run_is_told_by_phase_and_limit() {
        let now = Snapshot {
            stage: Stage::Run,
            time_s: 10.0,
            left_s: Some(590.0),
            package_c: Some(71.0),
            power_w: Some(252.6),
            clock_mhz: None,
            fan_speed_rpm: Some(1100.4),
            slept_s: 0.0,
            trouble: None,
        };
        assert_eq!(
            line("boost", "held by PL2", &now, Some(40.0)),
            "boost          held by PL2   71 °C   253 W   1100 rpm   40 W of budget   9:50 left"
        );
    }
}
