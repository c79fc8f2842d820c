//! scratch
use settlepoint_domain::*;
use settlepoint_infer::{collect, evidence::Evidence, fit, predict::*};
fn id(n: u128) -> Id {
    Id::from_u128(n)
}
fn main() {
    let w = Workload {
        id: id(1),
        name: "render".into(),
        unit: "rel".into(),
        direction: Direction::Higher,
        kind: ScoreKind::MeanRate,
        duration_s: 600.0,
        hours_per_week: None,
        weight: None,
        loss_max_pct: None,
        idle: false,
    };
    let rd = |phase, dur: Option<f64>, p: Option<f64>, t: Option<f64>, l: Option<f64>| {
        let mut r = PhaseReading::blank(phase);
        r.duration_s = dur;
        r.power_w = p;
        r.package_c = t;
        r.level_dba = l;
        r
    };
    use PhaseKind::*;
    let rows: Vec<(f64, f64, Vec<PhaseReading>, f64)> = vec![
        (
            253.,
            100.,
            vec![rd(TempLimited, Some(600.), None, Some(99.), Some(33.7))],
            1.0,
        ),
        (
            253.,
            90.,
            vec![rd(TempLimited, Some(600.), Some(199.), None, None)],
            0.972,
        ),
        (
            190.,
            100.,
            vec![
                rd(Boost, Some(100.), Some(218.), Some(96.), None),
                rd(Sustained, Some(500.), Some(190.), Some(88.), Some(33.7)),
            ],
            0.971,
        ),
        (
            253.,
            85.,
            vec![rd(TempLimited, Some(600.), Some(180.), None, None)],
            0.951,
        ),
        (
            125.,
            100.,
            vec![
                rd(Boost, Some(41.), Some(225.), Some(100.), None),
                rd(Sustained, Some(559.), Some(124.), Some(71.), Some(27.2)),
            ],
            0.862,
        ),
    ];
    let ev: Vec<_> = rows
        .iter()
        .enumerate()
        .map(|(i, (pl1, lim, rds, score))| {
            let s = setting_of(
                format!("s{}", i + 1),
                LimitValue::Value(*pl1),
                LimitValue::Value(253.),
                LimitValue::Value(56.),
                LimitValue::Value(*lim),
                FanSetting::AsFitted,
            );
            let run = Run {
                id: id(i as u128),
                name: format!("{}", i + 1),
                machine: id(0),
                cooling: id(0),
                tune: None,
                setting: s.id,
                workload: id(1),
                room_c: Some(20.),
                altitude_m: None,
                data: RunData::Readings(rds.clone()),
                scores: vec![Score {
                    value: *score,
                    repetition: 1,
                    order: None,
                    block: None,
                }],
                excluded: None,
            };
            collect::from_readings(&run, &s, &w)
        })
        .collect();
    for used in [
        vec![1, 3, 5],
        vec![1, 2, 5],
        vec![1, 5],
        vec![1, 2, 3, 4, 5],
    ] {
        let t0 = std::time::Instant::now();
        let e = Evidence {
            workloads: vec![w.clone()],
            runs: ev
                .iter()
                .enumerate()
                .filter(|(i, _)| used.contains(&(i + 1)))
                .map(|(_, r)| r.clone())
                .collect(),
            fan_max_rpm: None,
        };
        let f = fit::fit(e).unwrap();
        println!("acc {:.3}", f.acceptance);
        println!(
            "== used {used:?} converged {} it {} {:?}",
            f.converged,
            f.iterations,
            t0.elapsed()
        );
        for (i, r) in ev.iter().enumerate() {
            let h = f.held_out(r);
            let s = |e: Option<Estimate>| {
                e.map_or("-".into(), |e| {
                    format!("{:.3} [{:.3} {:.3}]", e.value, e.lo, e.hi)
                })
            };
            println!(
                "{} P {} ({:?})  T {} ({:?}) work {} ({:?})  L {}",
                i + 1,
                s(h.power_w),
                h.power_w_measured,
                s(h.package_c),
                h.package_c_measured,
                s(h.work_rel),
                h.work_rel_measured,
                s(h.level_dba)
            );
        }
        for (k, p) in f.layout.keys().iter().zip(f.layout.priors()) {
            let e = f.parameter(*k).unwrap();
            print!(
                "{} {:.3} [{:.3},{:.3}] ({:.2}); ",
                p.name,
                e.value,
                e.lo,
                e.hi,
                f.learned(*k).unwrap()
            );
        }
        println!();
        let q = Query {
            workload: 0,
            setting: ev[2].setting.clone(),
            conditions: settlepoint_infer::forward::Conditions {
                room_c: 30.,
                altitude_m: 0.,
                duration_s: 600.,
            },
        };
        let t0 = std::time::Instant::now();
        let p = f.predict(&q, 200);
        println!(
            "row3 @30: {:?} {:?} boost {:?} acting {} p {} {:?}",
            p.sustained.package_c,
            p.sustained.power_w,
            p.boost,
            p.acting_limit,
            p.p_temp_limit,
            t0.elapsed()
        );
    }
}
