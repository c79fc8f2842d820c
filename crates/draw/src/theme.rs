//! Colours.

/// Kinds of phase that a theme tints.
pub(crate) const PHASES: usize = 7;
/// Colours for series.
pub(crate) const SERIES: usize = 8;
/// Steps of the ramp of maps.
pub(crate) const RAMP: usize = 9;

/// A set of colours. [`PAGE`] names custom properties, which [`Theme::css`] of another theme
/// defines, so that a page switches all of its charts with one block of style.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Theme {
    /// Ground.
    pub ground: &'static str,
    /// Text and marks that count.
    pub ink: &'static str,
    /// Tick labels, notes, axes.
    pub muted: &'static str,
    /// Grid, not needed to read a value.
    pub grid: &'static str,
    /// Limits and bounds.
    pub limit: &'static str,
    /// What is recommended.
    pub chosen: &'static str,
    /// Lines, points and bands of series, in order: as far apart as can be for all kinds of sight, the
    /// first four farthest.
    pub series: [&'static str; SERIES],
    /// Tints of phases: idle, boost, sustained, temperature-limited, cool-down, transition, unknown.
    pub phases: [&'static str; PHASES],
    /// Ramp of maps from low to high; `ink` is readable on every step.
    pub ramp: [&'static str; RAMP],
}

/// For paper, light slides and light pages.
pub const LIGHT: Theme = Theme {
    ground: "#fdfcf9",
    ink: "#1f2328",
    muted: "#5b626a",
    grid: "#e4e1d9",
    limit: "#86181c",
    chosen: "#0a6b4d",
    series: [
        "#1b60a6", "#964900", "#139790", "#632269", "#858116", "#be3664", "#576380", "#55883e",
    ],
    phases: [
        "#8b98a5", "#c08a00", "#3b7ea8", "#b3452c", "#3f9a94", "#a59f92", "#c9c4b8",
    ],
    ramp: [
        "#f4f1e6", "#f3e8cf", "#f2deb7", "#f0d29f", "#eec489", "#eab576", "#e5a467", "#de935b",
        "#d58253",
    ],
};

/// For dark slides and dark pages.
pub const DARK: Theme = Theme {
    ground: "#15181c",
    ink: "#eae7e0",
    muted: "#a3a8ae",
    grid: "#2c3137",
    limit: "#ffa79e",
    chosen: "#63cfa4",
    series: [
        "#a9d5ff", "#ffbd7f", "#46bea6", "#ac7cc0", "#bfa936", "#e28290", "#bbd1db", "#7ec25a",
    ],
    phases: [
        "#8b98a5", "#d9a93a", "#5ea3cf", "#e0765a", "#5cbdb6", "#8f897d", "#5f5b53",
    ],
    ramp: [
        "#1b2025", "#25261f", "#332c1f", "#423220", "#513820", "#603e22", "#6f4425", "#7e4a29",
        "#8c502e",
    ],
};

/// For pages and reports: every colour is a custom property. Not for files, as renderers other than
/// browsers do not know `var()`.
pub const PAGE: Theme = Theme {
    ground: "var(--sp-ground)",
    ink: "var(--sp-ink)",
    muted: "var(--sp-muted)",
    grid: "var(--sp-grid)",
    limit: "var(--sp-limit)",
    chosen: "var(--sp-chosen)",
    series: [
        "var(--sp-s0)",
        "var(--sp-s1)",
        "var(--sp-s2)",
        "var(--sp-s3)",
        "var(--sp-s4)",
        "var(--sp-s5)",
        "var(--sp-s6)",
        "var(--sp-s7)",
    ],
    phases: [
        "var(--sp-p0)",
        "var(--sp-p1)",
        "var(--sp-p2)",
        "var(--sp-p3)",
        "var(--sp-p4)",
        "var(--sp-p5)",
        "var(--sp-p6)",
    ],
    ramp: [
        "var(--sp-r0)",
        "var(--sp-r1)",
        "var(--sp-r2)",
        "var(--sp-r3)",
        "var(--sp-r4)",
        "var(--sp-r5)",
        "var(--sp-r6)",
        "var(--sp-r7)",
        "var(--sp-r8)",
    ],
};

impl Theme {
    /// The custom properties that [`PAGE`] names, with this theme's colours, as declarations of a
    /// style block: `format!(":root {{ {} }}", LIGHT.css())`.
    pub fn css(&self) -> String {
        let plain = [
            ("ground", self.ground),
            ("ink", self.ink),
            ("muted", self.muted),
            ("grid", self.grid),
            ("limit", self.limit),
            ("chosen", self.chosen),
        ];
        let mut text: String = plain
            .iter()
            .map(|(name, colour)| format!("--sp-{name}:{colour};"))
            .collect();
        let lists: [(&str, &[&str]); 3] =
            [("s", &self.series), ("p", &self.phases), ("r", &self.ramp)];
        for (letter, colours) in lists {
            for (i, colour) in colours.iter().enumerate() {
                text += &format!("--sp-{letter}{i}:{colour};");
            }
        }
        text
    }

    /// Colour of the n-th series; they come round.
    pub(crate) fn series(&self, place: usize) -> &'static str {
        self.series[place % SERIES]
    }

    /// Whether colours are custom properties.
    pub(crate) fn is_page(&self) -> bool {
        self.ground.starts_with("var(")
    }
}
