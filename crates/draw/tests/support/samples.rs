//! Charts of invented numbers: a workstation in an attic recording studio.

#[allow(clippy::wildcard_imports, reason = "nearly every type of the crate")]
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

fn curve(name: &str, xs: &[f64], of: impl Fn(f64) -> f64, half: f64) -> Curve {
    Curve {
        name: name.into(),
        xs: xs.to_vec(),
        ys: xs.iter().map(|x| ranged(of(*x), half)).collect(),
    }
}

fn steps(from: f64, to: f64, n: usize) -> Vec<f64> {
    (0..n)
        .map(|i| from + (to - from) * i as f64 / (n - 1) as f64)
        .collect()
}

fn reading(label: &str, x: f64, y: f64, held_out: bool) -> Reading {
    Reading {
        label: label.into(),
        x: Ranged::exact(x),
        y: Ranged::exact(y),
        held_out,
    }
}

fn marked(value: f64, label: &str) -> Marked {
    Marked {
        value,
        label: label.into(),
    }
}

pub(crate) fn map() -> PlateauMap {
    let (rooms, watts) = (steps(16.0, 40.0, 25), steps(60.0, 180.0, 25));
    let settled = |w: f64, r: f64| r + 2.0 + 0.38 * w + 0.0004 * w * w;
    let grid: Vec<Vec<f64>> = watts
        .iter()
        .map(|w| rooms.iter().map(|r| settled(*w, *r)).collect())
        .collect();
    let upper: Vec<Vec<f64>> = grid
        .iter()
        .map(|line| line.iter().map(|t| t + 3.0).collect())
        .collect();
    PlateauMap {
        title: "Where mixdown settles".into(),
        subtitle: "°C of the package; attic studio (invented)".into(),
        watts_name: "Sustained limit".into(),
        room_c: rooms,
        watts,
        limits: vec![
            MapLimit {
                label: "90 °C".into(),
                values: grid.clone(),
                level: 90.0,
                edge: false,
            },
            MapLimit {
                label: "90 °C with 5 % probability".into(),
                values: upper,
                level: 90.0,
                edge: true,
            },
        ],
        package_c: grid,
        points: vec![
            MapPoint {
                label: "65 W".into(),
                room_c: 22.0,
                watts: 65.0,
                chosen: false,
            },
            MapPoint {
                label: "125 W".into(),
                room_c: 21.6,
                watts: 125.0,
                chosen: false,
            },
            MapPoint {
                label: "130 W".into(),
                room_c: 34.0,
                watts: 130.0,
                chosen: true,
            },
        ],
    }
}

pub(crate) fn capacity(rooms: usize) -> CapacityBySpeed {
    let xs = steps(400.0, 1700.0, 30);
    let of = |room: f64, rpm: f64| (85.0 - room) / (0.2 + 0.2 * (rpm / 1700.0).powf(-0.6));
    CapacityBySpeed {
        title: "What the cooling holds at 85 °C".into(),
        subtitle: "90 % bands; attic studio (invented)".into(),
        speed_unit: "rpm".into(),
        rooms: (0..rooms)
            .map(|i| {
                let room = 18.0 + 8.0 * i as f64;
                curve(&format!("{room:.0} °C room"), &xs, |x| of(room, x), 5.0)
            })
            .collect(),
        wanted: vec![marked(125.0, "PL1 125 W")],
    }
}

pub(crate) fn work() -> WorkByWatts {
    let xs = steps(50.0, 190.0, 29);
    WorkByWatts {
        title: "Work and clock against watts".into(),
        subtitle: "mixdown; attic studio (invented)".into(),
        panels: vec![
            WattsPanel {
                name: "Work".into(),
                unit: "of the best".into(),
                curves: vec![curve("mixdown", &xs, |w| (w / 181.0).powf(0.36), 0.012)],
                readings: vec![
                    reading("65 W", 65.0, 0.69, false),
                    reading("125 W", 125.0, 0.872, false),
                    reading("181 W", 181.0, 1.0, true),
                ],
            },
            WattsPanel {
                name: "Clock".into(),
                unit: "MHz".into(),
                curves: vec![
                    curve("fast cores", &xs, |w| 5200.0 * (w / 181.0).powf(0.3), 60.0),
                    curve("small cores", &xs, |w| 4100.0 * (w / 181.0).powf(0.3), 60.0),
                ],
                readings: vec![reading("125 W", 125.0, 4650.0, false)],
            },
        ],
    }
}

pub(crate) fn level() -> LevelBySpeed {
    let xs = steps(300.0, 1700.0, 30);
    let fans = |x: f64| 41.5 + 55.0 * (x / 1700.0).log10();
    let both = |x: f64| 10.0 * (10_f64.powf(fans(x) / 10.0) + 10_f64.powf(2.45)).log10();
    LevelBySpeed {
        title: "Level at the listening place".into(),
        subtitle: "90 % bands; attic studio (invented)".into(),
        speed_unit: "rpm".into(),
        curves: vec![
            curve("fans and background", &xs, both, 1.1),
            curve("fans alone", &xs, fans, 1.3),
        ],
        readings: vec![
            reading("tracking", 610.0, 26.0, false),
            reading("181 W", 1440.0, 37.8, true),
        ],
        background: Some(marked(24.5, "background 24.5 dB(A)")),
        bound: Some(marked(36.0, "at most 36 dB(A)")),
        resonances: vec![marked(870.0, "side panel rings")],
    }
}

pub(crate) fn fan_curve() -> FanCurveChart {
    let xs = steps(25.0, 105.0, 33);
    let of = |t: f64| (520.0 + 24.0 * (t - 40.0).max(0.0)).min(1700.0);
    FanCurveChart {
        title: "Fan curve as the machine drives it".into(),
        subtitle: "fitted, 90 % band; attic studio (invented)".into(),
        speed_unit: "rpm".into(),
        curves: vec![curve("fitted", &xs, of, 60.0)],
        readings: vec![
            reading("65 W", 49.5, 745.0, false),
            reading("125 W", 69.5, 1072.0, false),
        ],
        met: vec![MarkedRange {
            lo: 84.0,
            hi: 91.0,
            label: "mixdown in a 34 °C room".into(),
        }],
        ceiling: Some(marked(950.0, "capped at 950 rpm")),
    }
}

pub(crate) fn boost() -> BoostBudget {
    let time_s = steps(0.0, 180.0, 181);
    let (tau, pl1) = (56.0, 125.0);
    let mut average = 17.0;
    let (mut power_w, mut averages) = (Vec::new(), Vec::new());
    for _ in &time_s {
        let power: f64 = if average < pl1 - 0.3 { 213.0 } else { pl1 };
        average += (power - average) * (1.0 - (-1.0_f64 / tau).exp());
        power_w.push(power);
        averages.push(average);
    }
    BoostBudget {
        title: "How long the boost lasts".into(),
        subtitle: "mixdown from idle; attic studio (invented)".into(),
        time_s,
        power_w,
        budgets: vec![Budget {
            name: "average over 56 s".into(),
            average_w: averages,
            limit: Some(marked(pl1, "PL1 125 W")),
        }],
        cap: Some(marked(253.0, "PL2 253 W")),
        boost_end: Some(marked(44.0, "boost ends after 44 s")),
    }
}

pub(crate) fn impedance() -> ThermalImpedance {
    let xs: Vec<f64> = (0..60)
        .map(|i| 10_f64.powf(-1.0 + 4.5 * f64::from(i) / 59.0))
        .collect();
    let of = |t: f64| 0.1 * (1.0 - (-t / 1.2).exp()) + 0.28 * (1.0 - (-t / 160.0).exp());
    ThermalImpedance {
        title: "Thermal impedance, package to room".into(),
        subtitle: "two stages, fan at 985 rpm; attic studio (invented)".into(),
        curves: vec![Curve {
            name: "Zth".into(),
            ys: xs.iter().map(|t| ranged(of(*t), 0.03 * of(*t))).collect(),
            xs,
        }],
        stages: vec![
            ImpedanceStage {
                resistance_k_per_w: 0.1,
                time_constant_s: 1.2,
            },
            ImpedanceStage {
                resistance_k_per_w: 0.28,
                time_constant_s: 160.0,
            },
        ],
    }
}

pub(crate) fn held_out() -> PredictedMeasured {
    let point = |label: &str, measured: f64, predicted: f64, half: f64| HeldOutPoint {
        label: label.into(),
        measured,
        predicted: ranged(predicted, half),
    };
    PredictedMeasured {
        title: "Runs that the fit did not use".into(),
        subtitle: "90 % intervals for a new reading; attic studio (invented)".into(),
        panels: vec![
            HeldOutPanel {
                name: "Temperature".into(),
                unit: "°C".into(),
                points: vec![
                    point("181 W", 85.0, 85.1, 3.0),
                    point("95 W", 61.2, 60.1, 1.8),
                    point("tracking", 52.0, 47.6, 2.2),
                ],
            },
            HeldOutPanel {
                name: "Power".into(),
                unit: "W".into(),
                points: vec![
                    point("181 W", 181.0, 180.7, 2.7),
                    point("95 W", 95.0, 95.2, 1.1),
                ],
            },
            HeldOutPanel {
                name: "Work".into(),
                unit: "of the best".into(),
                points: vec![
                    point("181 W", 1.157, 1.16, 0.034),
                    point("95 W", 0.93, 0.94, 0.02),
                ],
            },
        ],
    }
}

pub(crate) fn forest(rows: usize) -> Forest {
    let names = [
        "mixdown",
        "take import",
        "freeze tracks",
        "live tracking",
        "stem export",
    ];
    let row = |i: usize| {
        let change = [0.956, 1.002, 1.016, 0.997, 0.98][i % 5];
        ForestRow {
            label: if i < 5 {
                names[i].into()
            } else {
                format!("{} {}", names[i % 5], i / 5 + 1)
            },
            ratio: ranged(change, [0.005, 0.004, 0.029, 0.006, 0.011][i % 5]),
            verdict: [
                "slower",
                "same within 1 %",
                "cannot tell yet: 10 more on each side",
                "same within 1 %",
                "slower",
            ][i % 5]
                .into(),
            whole: false,
        }
    };
    let mut all: Vec<ForestRow> = (0..rows).map(row).collect();
    all.push(ForestRow {
        label: "all by weight".into(),
        ratio: ranged(0.979, 0.009),
        verdict: "slower".into(),
        whole: true,
    });
    Forest {
        title: "130 W against stock".into(),
        subtitle: "work of 130 W over that of stock, 90 % intervals; attic studio (invented)"
            .into(),
        margin: Some(0.01),
        rows: all,
    }
}

pub(crate) fn ranking(rows: usize) -> Ranking {
    let column = |name: &str, unit: &str, decimals, bars_from| RankingColumn {
        name: name.into(),
        unit: unit.into(),
        decimals,
        bars_from,
    };
    let row = |i: usize| {
        let watts = 181.0 - 115.0 * i as f64 / rows.max(2) as f64;
        RankingRow {
            label: format!("{watts:.0} W"),
            note: format!("mixdown, {watts:.0}/253 W 100 °C"),
            values: vec![
                Some((watts / 181.0).powf(0.36)),
                Some(24.0 + 0.36 * watts),
                Some(76.0 - 0.36 * watts),
                Some(watts),
                Some(520.0 + 5.0 * watts),
                (i % 3 != 1).then_some(20.0 + watts / 10.0),
                Some(100.0 + watts / 2.0),
            ],
            chosen: i == 1,
        }
    };
    Ranking {
        title: "Runs by work".into(),
        subtitle: "bars of temperatures begin at the room's; attic studio (invented)".into(),
        columns: vec![
            column("work", "of the best", 3, 0.0),
            column("settled", "°C", 1, 22.0),
            column("margin", "K", 1, 0.0),
            column("power", "W", 1, 0.0),
            column("fan speed", "rpm", 0, 0.0),
            column("level", "dB(A)", 1, 0.0),
            column("energy", "J/unit", 1, 0.0),
        ],
        rows: (0..rows).map(row).collect(),
    }
}

/// Every chart.
pub(crate) fn all() -> Vec<Box<dyn Chart>> {
    vec![
        Box::new(run(720)),
        Box::new(trade_off(10)),
        Box::new(map()),
        Box::new(capacity(3)),
        Box::new(work()),
        Box::new(level()),
        Box::new(fan_curve()),
        Box::new(boost()),
        Box::new(impedance()),
        Box::new(held_out()),
        Box::new(forest(5)),
        Box::new(ranking(6)),
    ]
}
