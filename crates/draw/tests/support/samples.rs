//! Charts of invented numbers: a workstation in an attic recording studio.

use settlepoint_draw::*;

/// A run of ten minutes: idle, boost, settled.
pub(crate) fn run(samples: usize) -> RunOverTime {
    let time_s: Vec<f64> = (0..samples)
        .map(|i| 720.0 * i as f64 / samples.max(2) as f64)
        .collect();
    let wobble = |t: f64, k: f64| (t * k).sin() + 0.6 * (t * k * 2.7 + 1.0).sin();
    let power: Vec<f64> = time_s
        .iter()
        .map(|&t| {
            let level = match t {
                t if t < 120.0 => 17.0,
                t if t < 167.0 => 212.0,
                _ => 125.0,
            };
            level + 1.2 * wobble(t, 1.9)
        })
        .collect();
    let package: Vec<f64> = time_s
        .iter()
        .map(|&t| {
            let t = t - 120.0;
            let rise = if t < 0.0 {
                0.0
            } else if t < 47.0 {
                38.0 * (1.0 - (-t / 18.0).exp())
            } else {
                37.5 - 8.0 * (1.0 - (-(t - 47.0) / 60.0).exp())
                    + 7.0 * (1.0 - (-(t - 47.0) / 160.0).exp())
            };
            30.0 + rise + 0.4 * wobble(t, 0.7)
        })
        .collect();
    let fan: Vec<f64> = package.iter().map(|c| 520.0 + 14.0 * (c - 30.0)).collect();
    let room = vec![21.5; samples];
    RunOverTime {
        title: "125 W: mixdown with tower and three case fans".into(),
        subtitle: "attic studio (invented), 22 °C".into(),
        time_s,
        shown_s: None,
        phases: vec![
            phase(0.0, 120.0, Stretch::Idle, "idle"),
            phase(120.0, 167.0, Stretch::Boost, "boost"),
            phase(167.0, 720.0, Stretch::Sustained, "sustained"),
        ],
        acting: vec![
            acting(0.0, 120.0, Held::Demand, "the work itself"),
            acting(120.0, 167.0, Held::Other, "something else"),
            acting(167.0, 720.0, Held::Power, "PL1 125 W"),
        ],
        panels: vec![
            RunPanel {
                name: "Power".into(),
                unit: "W".into(),
                series: vec![series("package", power)],
                limits: vec![limit(125.0, "PL1 125 W"), limit(253.0, "PL2 253 W")],
            },
            RunPanel {
                name: "Temperature".into(),
                unit: "°C".into(),
                series: vec![series("package", package), series("room", room)],
                limits: vec![limit(100.0, "limit 100 °C")],
            },
            RunPanel {
                name: "Fan speed".into(),
                unit: "rpm".into(),
                series: vec![series("Fan speed", fan)],
                limits: vec![],
            },
        ],
    }
}

fn phase(from_s: f64, to_s: f64, kind: Stretch, label: &str) -> PhaseStretch {
    PhaseStretch {
        from_s,
        to_s,
        kind,
        label: label.into(),
    }
}

fn acting(from_s: f64, to_s: f64, held: Held, label: &str) -> ActingStretch {
    ActingStretch {
        from_s,
        to_s,
        held,
        label: label.into(),
    }
}

fn series(name: &str, values: Vec<f64>) -> RunSeries {
    RunSeries {
        name: name.into(),
        values,
        band: None,
    }
}

fn limit(value: f64, label: &str) -> LimitLine {
    LimitLine {
        value,
        label: label.into(),
    }
}

pub(crate) fn ranged(value: f64, half: f64) -> Ranged {
    Ranged {
        value,
        lo: value - half,
        hi: value + half,
    }
}

pub(crate) fn trade_off(points: usize) -> TradeOff {
    let point = |i: usize| {
        let watts = 60.0 + 120.0 * i as f64 / points.max(2) as f64;
        let worse = if i % 4 == 3 { 1.5 } else { 0.0 };
        TradePoint {
            label: format!("{watts:.0} W"),
            work: ranged(100.0 * (watts / 180.0).powf(0.36) - worse, 0.7),
            costs: vec![
                Some(ranged(22.0 + watts / 11.0 + 1.5 * worse, 1.3)),
                Some(ranged(34.0 + 0.36 * watts + worse, 1.6)),
            ],
            standing: match i {
                i if i == points / 2 => Standing::Recommended,
                i if i + 1 == points / 2 || i == points / 2 + 1 => Standing::Neighbour,
                i if i > points / 2 => Standing::Breaks,
                _ => Standing::Keeps,
            },
        }
    };
    TradeOff {
        title: "Mixdown in a 34 °C attic: what each setting costs".into(),
        subtitle: "predicted, 90 % intervals; attic studio (invented)".into(),
        work_name: "Work".into(),
        work_unit: "% of the fastest".into(),
        axes: vec![
            TradeAxis {
                name: "Level".into(),
                unit: "dB(A)".into(),
                bound: Some((36.0, "at most 36 dB(A)".into())),
            },
            TradeAxis {
                name: "Settled temperature".into(),
                unit: "°C".into(),
                bound: Some((90.0, "at most 90 °C".into())),
            },
        ],
        points: (0..points).map(point).collect(),
    }
}

/// Every chart.
pub(crate) fn all() -> Vec<Box<dyn Chart>> {
    vec![Box::new(run(720)), Box::new(trade_off(10))]
}
