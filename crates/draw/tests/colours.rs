//! Colours can be read and told apart, by everybody.

use settlepoint_draw::{DARK, LIGHT, Theme};

type Rgb = [f64; 3];

fn rgb(hex: &str) -> Rgb {
    let at = |i: usize| {
        let byte = u8::from_str_radix(&hex[i..i + 2], 16).expect("two hexadecimal digits");
        f64::from(byte) / 255.0
    };
    [at(1), at(3), at(5)]
}

/// sRGB to linear light (IEC 61966-2-1).
fn linear(colour: Rgb) -> Rgb {
    colour.map(|c| {
        if c <= 0.04045 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        }
    })
}

/// Relative luminance (WCAG 2.2, "relative luminance").
fn luminance(colour: Rgb) -> f64 {
    let [r, g, b] = linear(colour);
    0.2126 * r + 0.7152 * g + 0.0722 * b
}

/// Contrast ratio (WCAG 2.2, "contrast ratio").
fn contrast(a: Rgb, b: Rgb) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// A colour laid over another with this opacity, as browsers and the renderer mix: in sRGB.
fn over(top: Rgb, opacity: f64, ground: Rgb) -> Rgb {
    [0, 1, 2].map(|i| opacity * top[i] + (1.0 - opacity) * ground[i])
}

/// CIE L*a*b* for D65 (CIE 15; white point and matrix of IEC 61966-2-1).
fn lab(linear: Rgb) -> Rgb {
    let [r, g, b] = linear;
    let xyz = [
        (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505,
        0.2126 * r + 0.7152 * g + 0.0722 * b,
        (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089,
    ];
    let f = xyz.map(|t: f64| {
        if t > (6.0_f64 / 29.0).powi(3) {
            t.cbrt()
        } else {
            t / (3.0 * (6.0_f64 / 29.0).powi(2)) + 4.0 / 29.0
        }
    });
    [
        116.0 * f[1] - 16.0,
        500.0 * (f[0] - f[1]),
        200.0 * (f[1] - f[2]),
    ]
}

fn distance(a: Rgb, b: Rgb) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

/// What full protanopia, deuteranopia and tritanopia make of linear light: G. Machado, M. Oliveira and
/// L. Fernandes, IEEE Trans. Visual. Comput. Graph. 15 (2009) 1291-1298, severity 1.0; as the library
/// colorspacious 1.1.2 has them.
const SEEN: [[Rgb; 3]; 3] = [
    [
        [0.152_286, 1.052_583, -0.204_868],
        [0.114_503, 0.786_281, 0.099_216],
        [-0.003_882, -0.048_116, 1.051_998],
    ],
    [
        [0.367_322, 0.860_646, -0.227_968],
        [0.280_085, 0.672_501, 0.047_413],
        [-0.011_82, 0.042_94, 0.968_881],
    ],
    [
        [1.255_528, -0.076_749, -0.178_779],
        [-0.078_411, 0.930_809, 0.147_602],
        [0.004_733, 0.691_367, 0.3039],
    ],
];

fn seen(colour: Rgb, by: &[Rgb; 3]) -> Rgb {
    let light = linear(colour);
    by.map(|row| {
        (0..3)
            .map(|i| row[i] * light[i])
            .sum::<f64>()
            .clamp(0.0, 1.0)
    })
}

const THEMES: [(&str, &Theme); 2] = [("light", &LIGHT), ("dark", &DARK)];

/// Text at least 4.5:1 (WCAG 2.2, 1.4.3, level AA), lines and marks 3:1 (1.4.11).
#[test]
fn text_and_lines_have_contrast() {
    for (name, theme) in THEMES {
        let ground = rgb(theme.ground);
        for text in [theme.ink, theme.muted, theme.limit, theme.chosen] {
            let ratio = contrast(rgb(text), ground);
            assert!(ratio >= 4.5, "{name}: text {text} has {ratio:.2}:1");
        }
        for line in theme
            .series
            .iter()
            .chain([&theme.limit, &theme.chosen, &theme.muted])
        {
            let ratio = contrast(rgb(line), ground);
            assert!(ratio >= 3.0, "{name}: line {line} has {ratio:.2}:1");
        }
    }
}

/// Names of phases on their tints, labels on the steps of a map and on bands.
#[test]
fn text_on_tints_has_contrast() {
    for (name, theme) in THEMES {
        let (ink, ground) = (rgb(theme.ink), rgb(theme.ground));
        for phase in theme.phases {
            let ratio = contrast(ink, over(rgb(phase), 0.26, ground));
            assert!(
                ratio >= 4.5,
                "{name}: ink on phase {phase} has {ratio:.2}:1"
            );
        }
        for step in theme.ramp {
            let ratio = contrast(ink, rgb(step));
            assert!(ratio >= 4.5, "{name}: ink on step {step} has {ratio:.2}:1");
        }
        for band in theme.series {
            let ratio = contrast(ink, over(rgb(band), 0.18, ground));
            assert!(ratio >= 4.5, "{name}: ink on band {band} has {ratio:.2}:1");
        }
    }
}

/// Limits on a map cross its steps.
#[test]
fn limits_on_maps_have_contrast() {
    for (name, theme) in THEMES {
        for step in theme.ramp {
            let ratio = contrast(rgb(theme.limit), rgb(step));
            assert!(
                ratio >= 3.0,
                "{name}: limit on step {step} has {ratio:.2}:1"
            );
        }
    }
}

/// Series that stand beside each other in a key differ for every kind of sight. A difference of 2.3 is
/// just noticeable for patches side by side (M. Mahy et al., Color Res. Appl. 19 (1994) 105-121);
/// thin lines far apart need several times that, so four times as much is asked of all, and six times
/// of the first four, of which charts seldom have more. Dashes and shapes differ as well.
#[test]
fn series_differ_for_colour_blind_readers() {
    for (name, theme) in THEMES {
        for (kind, by) in ["protanopia", "deuteranopia", "tritanopia"]
            .iter()
            .zip(&SEEN)
        {
            for (i, a) in theme.series.iter().enumerate() {
                for (j, b) in theme.series.iter().enumerate().skip(i + 1) {
                    let [own, other] = [a, b].map(|c| lab(seen(rgb(c), by)));
                    let least = if j < 4 { 14.0 } else { 9.2 };
                    let apart = distance(own, other);
                    assert!(
                        apart >= least,
                        "{name}, {kind}: {a} and {b} are {apart:.1} apart"
                    );
                }
            }
        }
    }
}

/// The steps of a map rise or fall evenly in lightness, so that it reads without colour.
#[test]
fn maps_read_in_grey() {
    for (name, theme) in THEMES {
        let lightness = theme.ramp.map(|c| lab(linear(rgb(c)))[0]);
        let steps: Vec<f64> = lightness.windows(2).map(|w| w[1] - w[0]).collect();
        let sign = steps[0].signum();
        // Just noticeable, as above.
        assert!(steps.iter().all(|s| s * sign >= 1.5), "{name}: {steps:.1?}");
    }
}

/// Black on white has 21:1 by definition, and the matrices keep white white.
#[test]
fn the_measures_measure() {
    assert!((contrast([0.0; 3], [1.0; 3]) - 21.0).abs() < 1e-9);
    // #777 on white is the known case just below 4.5:1: 4.48 (WebAIM's and others' tables).
    assert!((contrast(rgb("#777777"), [1.0; 3]) - 4.48).abs() < 0.01);
    for by in &SEEN {
        // The published digits sum to 1 within one unit of the last.
        assert!(
            by.iter()
                .all(|row| (row.iter().sum::<f64>() - 1.0).abs() < 2e-6)
        );
    }
    // Rec. 709 red: CIE L*a*b* 53.24, 80.09, 67.20 (B. Lindbloom's calculator, D65).
    let red = lab([1.0, 0.0, 0.0]);
    assert!(distance(red, [53.24, 80.09, 67.2]) < 0.1, "{red:?}");
}
