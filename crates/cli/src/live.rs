//! One line that says what goes on while something is recorded.

use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use settlepoint_bench::{Snapshot, Stage};

/// How often the line changes: once a second costs no wake-up of its own worth counting.
const EVERY: Duration = Duration::from_millis(900);

/// The line, on a terminal only.
pub(crate) struct LiveLine {
    bar: ProgressBar,
    last: Option<Instant>,
    trouble: Option<String>,
}

impl LiveLine {
    pub(crate) fn new() -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
        if let Ok(style) = ProgressStyle::with_template("{msg}") {
            bar.set_style(style);
        }
        Self {
            bar,
            last: None,
            trouble: None,
        }
    }

    pub(crate) fn show(&mut self, now: &Snapshot<'_>) {
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
        self.bar.set_message(line(now));
        self.bar.tick();
    }

    /// A message that stays, above the line.
    pub(crate) fn say(&self, text: &str) {
        let text = format!("settlepoint: {text}");
        if self.bar.is_hidden() {
            crate::message(&format!("{text}\n"));
        } else {
            self.bar.println(text);
        }
    }

    pub(crate) fn clear(&self) {
        self.bar.finish_and_clear();
    }
}

fn line(now: &Snapshot<'_>) -> String {
    let left = now
        .left_s
        .map_or(String::new(), |left| format!(", {} left", clock(left)));
    let stage = match now.stage {
        Stage::Lead => "at rest",
        Stage::WarmUp => "warming up",
        Stage::Run => "running",
        Stage::CoolDown => "cooling",
    };
    let value = |value: Option<f64>, unit: &str| {
        value.map_or(String::new(), |v| format!("   {v:.0} {unit}"))
    };
    format!(
        "{stage} {}{left}{}{}{}{}",
        clock(now.time_s),
        value(now.package_c, "°C"),
        value(now.power_w, "W"),
        value(now.clock_mhz, "MHz"),
        value(now.fan_speed_rpm, "rpm"),
    )
}

/// Minutes and seconds.
pub(crate) fn clock(seconds: f64) -> String {
    let whole = seconds.max(0.0).round();
    format!("{:.0}:{:02.0}", (whole / 60.0).floor(), whole % 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minutes_and_seconds() {
        assert_eq!(clock(0.2), "0:00");
        assert_eq!(clock(59.6), "1:00");
        assert_eq!(clock(3725.0), "62:05");
    }
}
