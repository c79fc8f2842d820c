//! The same charts with other names and other numbers.

use settlepoint_draw::{Chart, Curve, Marked, Ranged, Reading};

use crate::samples;

/// Names that people give.
pub(crate) const NAMES: [&str; 5] = [
    "a very long name of a setting that somebody typed in a hurry and never thought to shorten, with \
     all the fans and positions that belong to it",
    "空冷タワー、静音ファン三基",
    "Лето, мансарда; Δθ ≤ 40 K",
    "\"><script>alert('1')</script>&amp;",
    "W",
];

/// Turns a number into another.
pub(crate) type Turn = fn(f64) -> f64;

/// What may be wrong with numbers.
pub(crate) const NUMBERS: [(&str, Turn); 8] = [
    ("constant", |_| 5.0),
    ("nothing", |_| 0.0),
    ("huge", |x| 1e9 * x),
    ("tiny", |x| 1e-7 * x),
    ("negative", |x| -x),
    ("missing here and there", |x| {
        if (7.3 * x).fract() > 0.7 { f64::NAN } else { x }
    }),
    ("missing throughout", |_| f64::NAN),
    ("without end", |x| {
        if (7.3 * x).fract() > 0.7 {
            f64::INFINITY
        } else {
            x
        }
    }),
];

fn set(text: &mut String, name: &str) {
    name.clone_into(text);
}

fn name_curves(curves: &mut [Curve], readings: &mut [Reading], name: &str) {
    for curve in curves {
        set(&mut curve.name, name);
    }
    for reading in readings {
        set(&mut reading.label, name);
    }
}

fn name_marks<'a>(marks: impl IntoIterator<Item = &'a mut Marked>, name: &str) {
    marks.into_iter().for_each(|m| set(&mut m.label, name));
}

/// Every chart with this as each of its names.
pub(crate) fn named(name: &str) -> Vec<Box<dyn Chart>> {
    let mut run = samples::run(720);
    set(&mut run.title, name);
    run.phases.iter_mut().for_each(|p| set(&mut p.label, name));
    run.acting.iter_mut().for_each(|p| set(&mut p.label, name));
    for panel in &mut run.panels {
        set(&mut panel.name, name);
        panel.series.iter_mut().for_each(|s| set(&mut s.name, name));
        panel
            .limits
            .iter_mut()
            .for_each(|l| set(&mut l.label, name));
    }
    let mut trade = samples::trade_off(10);
    set(&mut trade.subtitle, name);
    trade
        .points
        .iter_mut()
        .for_each(|p| set(&mut p.label, name));
    for axis in &mut trade.axes {
        set(&mut axis.name, name);
        axis.bound = axis.bound.take().map(|(at, _)| (at, name.to_owned()));
    }
    let mut map = samples::map();
    set(&mut map.watts_name, name);
    map.points.iter_mut().for_each(|p| set(&mut p.label, name));
    map.limits.iter_mut().for_each(|l| set(&mut l.label, name));
    let mut capacity = samples::capacity(3);
    name_curves(&mut capacity.rooms, &mut [], name);
    name_marks(&mut capacity.wanted, name);
    let mut work = samples::work();
    for panel in &mut work.panels {
        set(&mut panel.name, name);
        name_curves(&mut panel.curves, &mut panel.readings, name);
    }
    let mut level = samples::level();
    name_curves(&mut level.curves, &mut level.readings, name);
    name_marks(level.background.iter_mut().chain(&mut level.bound), name);
    let mut fan = samples::fan_curve();
    name_curves(&mut fan.curves, &mut fan.readings, name);
    fan.met.iter_mut().for_each(|m| set(&mut m.label, name));
    name_marks(&mut fan.ceiling, name);
    let mut boost = samples::boost();
    boost
        .budgets
        .iter_mut()
        .for_each(|b| set(&mut b.name, name));
    name_marks(boost.cap.iter_mut().chain(&mut boost.boost_end), name);
    let mut impedance = samples::impedance();
    name_curves(&mut impedance.curves, &mut [], name);
    let mut held_out = samples::held_out();
    for panel in &mut held_out.panels {
        set(&mut panel.name, name);
        panel
            .points
            .iter_mut()
            .for_each(|p| set(&mut p.label, name));
    }
    let mut forest = samples::forest(5);
    for row in &mut forest.rows {
        set(&mut row.label, name);
        set(&mut row.verdict, name);
    }
    let mut ranking = samples::ranking(6);
    ranking
        .columns
        .iter_mut()
        .for_each(|c| set(&mut c.name, name));
    for row in &mut ranking.rows {
        set(&mut row.label, name);
        set(&mut row.note, name);
    }
    vec![
        Box::new(run),
        Box::new(trade),
        Box::new(map),
        Box::new(capacity),
        Box::new(work),
        Box::new(level),
        Box::new(fan),
        Box::new(boost),
        Box::new(impedance),
        Box::new(held_out),
        Box::new(forest),
        Box::new(ranking),
    ]
}

fn turn(value: &mut f64, of: Turn) {
    *value = of(*value);
}

fn turn_range(range: &mut Ranged, of: Turn) {
    let (a, b) = (of(range.lo), of(range.hi));
    *range = Ranged {
        value: of(range.value),
        lo: a.min(b),
        hi: a.max(b),
    };
}

fn turn_curves(curves: &mut [Curve], readings: &mut [Reading], of: Turn) {
    for curve in curves {
        curve.ys.iter_mut().for_each(|y| turn_range(y, of));
    }
    for reading in readings {
        turn_range(&mut reading.x, of);
        turn_range(&mut reading.y, of);
    }
}

/// Every chart with its values turned into these; what they stand over stays.
pub(crate) fn with_numbers(of: Turn) -> Vec<Box<dyn Chart>> {
    let mut run = samples::run(720);
    for panel in &mut run.panels {
        for series in &mut panel.series {
            series.values.iter_mut().for_each(|v| turn(v, of));
        }
        panel.limits.iter_mut().for_each(|l| turn(&mut l.value, of));
    }
    let mut trade = samples::trade_off(18);
    for point in &mut trade.points {
        turn_range(&mut point.work, of);
        point
            .costs
            .iter_mut()
            .flatten()
            .for_each(|c| turn_range(c, of));
    }
    let mut map = samples::map();
    for value in map.package_c.iter_mut().flatten() {
        turn(value, of);
    }
    map.points.iter_mut().for_each(|p| turn(&mut p.watts, of));
    let mut capacity = samples::capacity(3);
    turn_curves(&mut capacity.rooms, &mut [], of);
    let mut work = samples::work();
    for panel in &mut work.panels {
        turn_curves(&mut panel.curves, &mut panel.readings, of);
    }
    let mut level = samples::level();
    turn_curves(&mut level.curves, &mut level.readings, of);
    level
        .background
        .iter_mut()
        .for_each(|m| turn(&mut m.value, of));
    let mut fan = samples::fan_curve();
    turn_curves(&mut fan.curves, &mut fan.readings, of);
    for met in &mut fan.met {
        turn(&mut met.lo, of);
        turn(&mut met.hi, of);
    }
    let mut boost = samples::boost();
    boost.power_w.iter_mut().for_each(|v| turn(v, of));
    for budget in &mut boost.budgets {
        budget.average_w.iter_mut().for_each(|v| turn(v, of));
    }
    let mut impedance = samples::impedance();
    turn_curves(&mut impedance.curves, &mut [], of);
    for stage in &mut impedance.stages {
        turn(&mut stage.time_constant_s, of);
    }
    let mut held_out = samples::held_out();
    for point in held_out.panels.iter_mut().flat_map(|p| &mut p.points) {
        turn(&mut point.measured, of);
        turn_range(&mut point.predicted, of);
    }
    let mut forest = samples::forest(5);
    forest
        .rows
        .iter_mut()
        .for_each(|r| turn_range(&mut r.ratio, of));
    let mut ranking = samples::ranking(6);
    for row in &mut ranking.rows {
        row.values.iter_mut().flatten().for_each(|v| turn(v, of));
    }
    vec![
        Box::new(run),
        Box::new(trade),
        Box::new(map),
        Box::new(capacity),
        Box::new(work),
        Box::new(level),
        Box::new(fan),
        Box::new(boost),
        Box::new(impedance),
        Box::new(held_out),
        Box::new(forest),
        Box::new(ranking),
    ]
}

/// Charts with few and many of everything.
pub(crate) fn counted() -> Vec<Box<dyn Chart>> {
    let mut charts: Vec<Box<dyn Chart>> = Vec::new();
    for n in [0, 1, 2, 50_000] {
        charts.push(Box::new(samples::run(n)));
    }
    for n in [0, 1, 2, 18, 60] {
        charts.push(Box::new(samples::trade_off(n)));
        charts.push(Box::new(samples::forest(n)));
        charts.push(Box::new(samples::ranking(n)));
    }
    for n in 0..=8 {
        charts.push(Box::new(samples::capacity(n)));
        charts.push(Box::new(many_series(n)));
    }
    charts
}

/// A run with so many series in a panel.
fn many_series(n: usize) -> settlepoint_draw::RunOverTime {
    let mut run = samples::run(300);
    let one = run.panels[1].series[0].clone();
    run.panels[1].series = (0..n)
        .map(|i| settlepoint_draw::RunSeries {
            name: format!("sensor {}", i + 1),
            values: one.values.iter().map(|v| v - 3.0 * i as f64).collect(),
            band: None,
        })
        .collect();
    run
}
