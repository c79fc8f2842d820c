//! The folder of a rehearsal: files laid out as the kernel lays them out.
//!
//! Chips carry the names of the kernel's own drivers where the kernel's documents describe them;
//! the board's chip and the drive are invented.

use std::fs;
use std::path::{Path, PathBuf};

use super::MachineSpec;
use crate::error::BenchError;

/// Files that are not the kernel's lie in here.
pub(crate) const OWN: &str = "rehearsal";
/// What marks a folder as a rehearsal.
pub(crate) const MACHINE: &str = "rehearsal/machine.json";
pub(crate) const LOAD: &str = "rehearsal/load";
pub(crate) const WORK: &str = "rehearsal/work";
pub(crate) const LOCK: &str = "rehearsal/lock";
/// Who keeps the machine running in real time.
pub(crate) const LIVE: &str = "rehearsal/live";
/// What a user sets by hand in the firmware: one number each.
pub(crate) const HAND_TEMP_LIMIT: &str = "rehearsal/firmware/temp_limit_c";
pub(crate) const HAND_FAN_MAX: &str = "rehearsal/firmware/fan_max_rpm";

pub(crate) const CORETEMP: &str = "sys/class/hwmon/hwmon2";
pub(crate) const BOARD: &str = "sys/class/hwmon/hwmon4";
pub(crate) const DRIVE: &str = "sys/class/hwmon/hwmon1";
pub(crate) const ACPI: &str = "sys/class/hwmon/hwmon0";
pub(crate) const PACKAGE: &str = "sys/class/powercap/intel-rapl:0";

/// 2^32 - 1 counts of 61.035 µJ (`intel_rapl_common.c`, energy unit exponent 14).
pub(crate) const ENERGY_UNIT_UJ: f64 = 61.035;
pub(crate) const ENERGY_RANGE_UJ: u64 = 262_143_328_850;

/// Names of the nested zones and their share of the package's power.
pub(crate) const NESTED: [(&str, &str, f64); 3] = [
    ("intel-rapl:0:0", "core", 0.78),
    ("intel-rapl:0:1", "uncore", 0.04),
    ("intel-rapl:0:2", "dram", 0.05),
];

pub(crate) fn cpu(number: usize) -> String {
    format!("sys/devices/system/cpu/cpu{number}")
}

pub(crate) fn policy(number: usize) -> String {
    format!("sys/devices/system/cpu/cpufreq/policy{number}")
}

/// Makes the folder; it must not hold anything but an older rehearsal.
pub(crate) fn make(root: &Path, spec: &MachineSpec) -> Result<(), BenchError> {
    refuse_foreign(root)?;
    let files = files(spec);
    for (below, text) in &files {
        put(&root.join(below), text)?;
    }
    spec.write(&root.join(MACHINE))
}

/// A folder with other things in it is left alone.
fn refuse_foreign(root: &Path) -> Result<(), BenchError> {
    let Ok(mut list) = fs::read_dir(root) else {
        return Ok(());
    };
    if root.join(MACHINE).exists() || list.next().is_none() {
        return Ok(());
    }
    Err(BenchError::invalid(
        root.display().to_string(),
        "the folder holds something else; name a new or empty folder for the rehearsal",
    ))
}

fn put(path: &Path, text: &str) -> Result<(), BenchError> {
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder).map_err(|e| BenchError::file(folder, "make", e))?;
    }
    fs::write(path, text).map_err(|e| BenchError::file(path, "write", e))
}

type Files = Vec<(PathBuf, String)>;

fn add(files: &mut Files, folder: &str, entries: &[(&str, &str)]) {
    for (file, text) in entries {
        files.push((Path::new(folder).join(file), format!("{text}\n")));
    }
}

fn files(spec: &MachineSpec) -> Files {
    let mut files = Files::new();
    chips(&mut files, spec);
    zones(&mut files, spec);
    processors(&mut files, spec);
    for (number, kind) in ["acpitz", "x86_pkg_temp"].iter().enumerate() {
        let folder = format!("sys/class/thermal/thermal_zone{number}");
        add(&mut files, &folder, &[("type", kind), ("temp", "27800")]);
    }
    add(&mut files, "proc", &[("stat", "cpu  0 0 0 0 0 0 0 0 0 0")]);
    add(&mut files, OWN, &[("load", "0"), ("work", "0")]);
    let limit = spec.temp_limit_c.to_string();
    let full = spec.model.full_speed_rpm.unwrap_or(0.0).to_string();
    add(
        &mut files,
        "rehearsal/firmware",
        &[("temp_limit_c", &limit), ("fan_max_rpm", &full)],
    );
    files
}

fn chips(files: &mut Files, spec: &MachineSpec) {
    add(files, ACPI, &[("name", "acpitz"), ("temp1_input", "27800")]);
    add(
        files,
        DRIVE,
        &[
            ("name", "nvme"),
            ("temp1_input", "33850"),
            ("temp1_label", "Composite"),
        ],
    );
    let crit = format!("{:.0}", 1e3 * spec.temp_limit_c);
    add(
        files,
        CORETEMP,
        &[
            ("name", "coretemp"),
            ("temp1_input", "30000"),
            ("temp1_label", "Package id 0"),
            ("temp1_crit", &crit),
        ],
    );
    for core in 0..spec.cores {
        let number = core + 2;
        add(
            files,
            CORETEMP,
            &[
                (&format!("temp{number}_input"), "30000"),
                (&format!("temp{number}_label"), &format!("Core {core}")),
            ],
        );
    }
    board(files);
}

fn board(files: &mut Files) {
    add(
        files,
        BOARD,
        &[
            ("name", "atticboard"),
            ("temp1_input", "29000"),
            ("temp1_label", "board"),
            ("temp2_input", "34000"),
            ("temp2_label", "regulators"),
            ("temp3_input", "22000"),
            ("temp3_label", "intake"),
            ("fan1_input", "0"),
            ("fan1_label", "processor fan"),
            ("fan2_input", "0"),
            ("fan2_label", "front fan"),
            ("fan3_input", "0"),
            ("fan3_label", "rear fan"),
            ("pwm1", "0"),
            ("pwm1_enable", "5"),
            ("pwm2", "0"),
            ("pwm2_enable", "5"),
        ],
    );
    for (number, millivolt) in [1250, 3300, 5010, 12_040, 1800, 1050].iter().enumerate() {
        let file = format!("in{number}_input");
        add(files, BOARD, &[(&file, &millivolt.to_string())]);
    }
}

fn zones(files: &mut Files, spec: &MachineSpec) {
    let uw = |w: f64| format!("{:.0}", 1e6 * w);
    let range = ENERGY_RANGE_UJ.to_string();
    add(files, "sys/class/powercap/intel-rapl", &[("enabled", "1")]);
    add(
        files,
        PACKAGE,
        &[
            ("name", "package-0"),
            ("enabled", "1"),
            ("energy_uj", "0"),
            ("max_energy_range_uj", &range),
            ("constraint_0_name", "long_term"),
            ("constraint_0_power_limit_uw", &uw(spec.pl1_w)),
            (
                "constraint_0_time_window_us",
                &super::window::held_us(1e6 * spec.tau_s).to_string(),
            ),
            ("constraint_0_max_power_uw", &uw(spec.pl1_w)),
            ("constraint_1_name", "short_term"),
            ("constraint_1_power_limit_uw", &uw(spec.pl2_w)),
            ("constraint_1_time_window_us", "2440"),
            ("constraint_1_max_power_uw", "0"),
        ],
    );
    for (folder, name, _) in NESTED {
        add(
            files,
            &format!("sys/class/powercap/{folder}"),
            &[
                ("name", name),
                ("enabled", "0"),
                ("energy_uj", "0"),
                ("max_energy_range_uj", &range),
            ],
        );
    }
}

fn processors(files: &mut Files, spec: &MachineSpec) {
    let last = spec.cores.saturating_sub(1);
    let online = format!("0-{last}");
    add(files, "sys/devices/system/cpu", &[("online", &online)]);
    let large = spec.cores.div_ceil(2);
    if large < spec.cores {
        let (of_large, of_small) = (format!("0-{}", large - 1), format!("{large}-{last}"));
        add(files, "sys/devices/cpu_core", &[("cpus", &of_large)]);
        add(files, "sys/devices/cpu_atom", &[("cpus", &of_small)]);
    }
    for n in 0..spec.cores {
        let number = n.to_string();
        add(
            files,
            &format!("{}/topology", cpu(n)),
            &[("core_id", &number), ("physical_package_id", "0")],
        );
        add(
            files,
            &format!("{}/thermal_throttle", cpu(n)),
            &[
                ("core_throttle_count", "0"),
                ("package_throttle_count", "0"),
            ],
        );
        add(
            files,
            &policy(n),
            &[("scaling_cur_freq", "800000"), ("related_cpus", &number)],
        );
    }
}
