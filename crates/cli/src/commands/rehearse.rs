//! `rehearse`: an invented machine in a folder.

use serde_json::json;
use settlepoint_bench::rehearse::{MachineSpec, Rehearsal, make};

use crate::args::RehearseArgs;
use crate::error::Failure;
use crate::interrupt::{self, Writing};
use crate::view::{Answer, number};

pub(crate) fn rehearse(args: &RehearseArgs) -> Result<Answer, Failure> {
    let spec = MachineSpec {
        // Other programs have the system's clock.
        speed: if args.live { 1.0 } else { args.speed },
        cores: usize::try_from(args.cores).unwrap_or(8),
        room_c: args.room,
        locked: args.locked,
        ..MachineSpec::from_seed(args.seed)
    };
    make(&args.folder, &spec)?;
    let place = args.folder.display().to_string();
    if args.live {
        let _writing = Writing::begin();
        crate::message(&format!(
            "{place} is switched on in real time; end with Ctrl-C\n"
        ));
        Rehearsal::switch_on(&args.folder)?.run(&args.folder, interrupt::pressed)?;
    }
    Ok(Answer::new(
        json!({
            "schema": "settlepoint.rehearse/1",
            "folder": place,
            "seed": spec.seed,
            "speed": number(spec.speed),
            "truth": {
                "resistance_k_per_w": number(spec.resistance_k_per_w()),
                "tau_s": number(spec.tau_s * spec.model.limits.tau_ratio),
                "demand_w": number(spec.model.package.demand_w),
                "fan_exponent": number(spec.model.cooling.fan_exponent),
                "fan_max_rpm": spec.model.full_speed_rpm.map(number),
                "room_c": number(spec.room_c),
                "temp_limit_c": number(spec.temp_limit_c),
            },
        }),
        format!(
            "made an invented machine in {place}: {:.0} W at full demand, PL1 {} W, PL2 {} W, {:.3} K/W \
             at full fan\nTry 'settlepoint channels --root {place}'. Its time runs {} times faster.\n",
            spec.model.package.demand_w,
            spec.pl1_w,
            spec.pl2_w,
            spec.resistance_k_per_w(),
            spec.speed
        ),
    ))
}
