//! Words for settings, phases and what holds the power.

use settlepoint_domain::{FanSetting, PhaseKind, Setting};
use settlepoint_draw::Held;
use settlepoint_infer::choose::acting_words;
use settlepoint_model::ActingLimit;

use crate::number::{Degrees, typed};

/// What to type into the firmware: "PL1 130 W, PL2 253 W, …".
pub(crate) fn setting(setting: &Setting, degrees: Degrees) -> String {
    let mut parts = Vec::new();
    let number = |name: &str, value: Option<f64>, unit: &str| {
        value.map(|v| format!("{name} {}\u{a0}{unit}", typed(v, 0)))
    };
    parts.extend(number("PL1", setting.pl1_w.value(), "W"));
    parts.extend(number("PL2", setting.pl2_w.value(), "W"));
    parts.extend(number("tau", setting.tau_s.value(), "s"));
    parts.extend(setting.temp_limit_c.value().map(|c| {
        format!(
            "temperature limit {}",
            degrees.text(c, 0).replace(' ', "\u{a0}")
        )
    }));
    parts.extend(fan(setting));
    if parts.is_empty() {
        return "nothing limited".to_owned();
    }
    parts.join(", ")
}

/// The fans' part of it, if they are not left as they are.
pub(crate) fn fan(setting: &Setting) -> Option<String> {
    match &setting.fan {
        FanSetting::AsFitted => None,
        FanSetting::Ceiling(rpm) => Some(format!("fan curve capped at {rpm:.0}\u{a0}rpm")),
        FanSetting::Fixed(rpm) => Some(format!("fan at {rpm:.0}\u{a0}rpm")),
        FanSetting::Curve(_) => Some("a fan curve of its own".to_owned()),
    }
}

/// A phase's name.
pub(crate) fn phase(kind: PhaseKind) -> String {
    kind.token().replace('_', " ")
}

/// What held the power, for charts.
pub(crate) fn held(limit: ActingLimit) -> (Held, &'static str) {
    let held = match limit {
        ActingLimit::Power => Held::Power,
        ActingLimit::Temperature => Held::Temperature,
        ActingLimit::Demand => Held::Demand,
        ActingLimit::Other => Held::Other,
    };
    let words = match limit {
        ActingLimit::Demand => "the work itself",
        other => acting_words(other.token()),
    };
    (held, words)
}
