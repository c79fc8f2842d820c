//! Air, power budget and levels against published values.

#[path = "support/table.rs"]
mod table;

use settlepoint_model::{
    BudgetTier, CFM_M3_PER_S, FanPoint, INCH_WATER_PA, Level, RunningAverage, Sampling, Sound,
    air_density_kg_m3, boost, dry_density_kg_m3, geopotential_m, moist_density_kg_m3,
    standard_pressure_pa, standard_temperature_k, step_load_time_s, stream_rise_k,
};

fn near(got: f64, expected: f64, relative: f64) {
    let off = (got - expected).abs();
    assert!(
        off <= relative * expected.abs(),
        "{got} is not {expected} to {relative:e}"
    );
}

#[test]
fn the_standard_atmosphere() {
    for row in table::rows(include_str!("data/standard-atmosphere.csv")) {
        let (z, t_k, p_pa) = (
            row[0],
            standard_temperature_k(row[0]),
            standard_pressure_pa(row[0]),
        );
        near(geopotential_m(z), row[1], 1e-9);
        near(t_k, row[2], 1e-6);
        // Implementations differ in the gas constant's seventh digit.
        near(p_pa, row[3], 2e-6);
        near(dry_density_kg_m3(t_k - 273.15, p_pa), row[4], 2e-6);
    }
}

#[test]
fn dry_air_in_a_room_at_altitude() {
    for row in table::rows(include_str!("data/density-at-site.csv")) {
        near(standard_pressure_pa(row[0]), row[2], 2e-6);
        let density = air_density_kg_m3(row[1], row[0]);
        near(density, row[4], 2e-6);
        // Ideal gas against the equation of state.
        near(density, row[3], 1e-3);
    }
}

#[test]
fn moist_air() {
    for row in table::rows(include_str!("data/moist-air-density.csv")) {
        // Two published models, each good to better than this.
        near(moist_density_kg_m3(row[0], 101_325.0, row[1]), row[2], 2e-4);
    }
}

#[test]
fn streams_fans_and_units() {
    for row in table::rows(include_str!("data/stream-heating.csv")) {
        near(
            stream_rise_k(row[0], row[1] / 3600.0, row[2], row[3]),
            row[4],
            1e-6,
        );
    }
    let base = FanPoint {
        speed_rpm: 1000.0,
        density_kg_m3: 1.2,
        diameter: 120.0,
        flow: 60.0,
        pressure_pa: 1.2,
        power_w: 1.0,
    };
    for row in table::rows(include_str!("data/fan-laws.csv")) {
        let scaled = base.scaled(row[0], row[1], row[2]);
        near(scaled.flow, row[3], 1e-12);
        near(scaled.pressure_pa, row[4], 1e-12);
        near(scaled.power_w, row[5], 1e-12);
    }
    // Exact definitions (NIST SP 811, appendix B).
    near(CFM_M3_PER_S, 0.000_471_947_443_200_000_1, 1e-15);
    near(INCH_WATER_PA, 249.088_91, 1e-15);
}

#[test]
fn how_long_a_load_may_exceed_a_limit() {
    for row in table::rows(include_str!("data/step-duration.csv")) {
        let time_s = step_load_time_s(row[0], row[1], row[2], row[3]);
        if row[4].is_finite() {
            near(time_s, row[4], 1e-13);
        } else {
            assert!(time_s.is_infinite());
        }
    }
}

#[test]
fn a_sampled_average_takes_the_published_number_of_steps() {
    for row in table::rows(include_str!("data/sampled-step.csv")) {
        let [tau_s, p0, p1, p2, dt] = [row[0], row[1], row[2], row[3], row[4]];
        for (sampling, count, end_w) in [
            (Sampling::Exact, row[5], row[6]),
            (Sampling::Euler, row[7], row[8]),
        ] {
            let mut average = RunningAverage { value_w: p0, tau_s };
            let mut steps = 0.0;
            while average.value_w < p1 {
                average.advance(p2, dt, sampling);
                steps += 1.0;
            }
            assert!((steps - count).abs() < 0.5, "{steps} steps, not {count}");
            near(average.value_w, end_w, 1e-9);
        }
    }
}

#[test]
fn the_average_of_a_trace() {
    let rows = table::rows(include_str!("data/trace-28s.csv"));
    let mut exact = RunningAverage {
        value_w: 35.0,
        tau_s: 28.0,
    };
    let mut euler = exact;
    for row in rows {
        near(exact.value_w, row[2], 1e-9);
        near(euler.value_w, row[3], 1e-9);
        exact.advance(row[1], 1.0, Sampling::Exact);
        euler.advance(row[1], 1.0, Sampling::Euler);
    }
}

#[test]
fn the_allowed_power_brings_the_average_to_its_limit() {
    let mut average = RunningAverage {
        value_w: 20.0,
        tau_s: 28.0,
    };
    let allowed_w = average.allowed_w(115.0, 3.0);
    average.advance(allowed_w, 3.0, Sampling::Exact);
    near(average.value_w, 115.0, 1e-14);
}

#[test]
fn a_boost_through_three_tiers() {
    let tier = |limit_w, window_s| BudgetTier { limit_w, window_s };
    // Two tiers are the closed form (28 s, 20 W, 115 W, 240 W: 15.8288 s, tests/data).
    let two = boost(&[tier(115.0, 28.0), tier(240.0, 0.0)], 20.0, 400.0);
    near(two.duration_s, 15.828_786_653_401_691, 1e-13);
    near(two.power_w, 240.0, 1e-15);
    // A fast tier that never fills does not change it.
    let unused = boost(
        &[tier(115.0, 28.0), tier(240.0, 0.0), tier(250.0, 1.0)],
        20.0,
        400.0,
    );
    near(unused.duration_s, two.duration_s, 1e-13);
    // One that fills lowers the power and lengthens the boost.
    let three = boost(
        &[tier(115.0, 28.0), tier(240.0, 0.0), tier(180.0, 4.0)],
        20.0,
        400.0,
    );
    assert!(three.duration_s > two.duration_s && three.power_w < 240.0);
    assert!(boost(&[tier(240.0, 0.0)], 20.0, 200.0).duration_s <= 0.0);
}

#[test]
fn levels_add_as_energies() {
    let sum = |db: &[f64]| Level::sum(db.iter().map(|l| Level::from_db(*l))).db();
    let mean =
        |db: &[f64]| Level::mean(&db.iter().map(|l| Level::from_db(*l)).collect::<Vec<_>>()).db();
    // Definition of the level (ISO/TR 25417) in 30-digit arithmetic with mpmath 1.4.1.
    near(sum(&[60.0, 60.0]), 63.010_299_956_639_81, 1e-12);
    near(sum(&[35.2, 31.7, 28.4]), 37.389_588_816_924_906, 1e-12);
    near(sum(&[30.0; 10]), 40.0, 1e-12);
    near(sum(&[-5.0, -5.0]), -1.989_700_043_360_188_1, 1e-11);
    near(mean(&[40.0, 37.0]), 38.754_048_667_725_044, 1e-12);
    near(
        mean(&[22.1, 25.6, 28.3, 30.9, 31.4, 29.8, 27.2, 24.4, 20.1]),
        27.993_058_727_681_532,
        1e-12,
    );
    let minus = |a, b| {
        Level::from_db(a)
            .minus(Level::from_db(b))
            .expect("quieter part")
            .db()
    };
    near(minus(63.0103, 60.0), 60.000_000_086_720_38, 1e-12);
    near(minus(30.0, 29.0), 23.131_746_756_198_844, 1e-11);
    let leq = Level::equivalent(
        [(35.0, 600.0), (45.0, 60.0), (25.0, 1800.0)].map(|(l, t)| (Level::from_db(l), t)),
    );
    near(leq.db(), 32.489_439_792_978_57, 1e-12);
    assert_eq!(Level::from_db(30.0).minus(Level::from_db(30.0)), None);
    near(
        Level::from_db(30.0).times(4.0).db(),
        30.0 + 10.0 * 4.0_f64.log10(),
        1e-15,
    );
    assert!(Level::sum([]).db().is_infinite());
}

#[test]
fn a_stopped_fan_adds_nothing() {
    let sound = Sound {
        full_speed_dba: 45.0,
        k_db_per_decade: 50.0,
        background_dba: Some(25.0),
    };
    near(sound.level(0.0).db(), 25.0, 1e-15);
    // Half speed is 50 lg 2 = 15.05 dB below full.
    near(sound.fans(0.5).db(), 45.0 - 15.051_499_783_199_06, 1e-14);
    let share = sound
        .share_at(sound.level(0.6).db())
        .expect("above the background");
    near(share, 0.6, 1e-12);
    assert_eq!(sound.share_at(24.0), None);
}
