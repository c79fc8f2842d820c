//! The closed loop against its own long-run and conservation laws.

mod support;

use settlepoint_model::{simulate, steady_state, steady_state_from_above};

#[test]
fn a_boost_then_the_sustained_limit() {
    let (model, scenario) = (support::desktop(), support::half_hour());
    let mut n = 0;
    let summary = simulate(&model, &scenario, |s| {
        if n < 60 || n % 100 == 0 {
            println!(
                "{} {:.3} {:.3} {:.3} {:.2} {:?} {:?}",
                s.time_s, s.power_w, s.die_c, s.fan_share, s.work_rate, s.acting, s.budgets_w
            );
        }
        n += 1;
    });
    println!("{summary:#?}");
    println!(
        "{:#?} {:#?}",
        steady_state(&model, &scenario),
        steady_state_from_above(&model, &scenario)
    );
    assert_eq!(n, 1800);
}
