//! The simulated machine while it is switched on.

use std::cell::RefCell;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use settlepoint_model::{
    ActingLimit, BudgetTier, FanControl, Scenario, Simulator, Standing, Start,
};
use settlepoint_stats::random::Random;

use super::layout::{self, ENERGY_RANGE_UJ, ENERGY_UNIT_UJ, NESTED};
use super::spec::POWER_UNIT_W;
use super::{MachineSpec, window};
use crate::clock::{Clock, Moment};
use crate::error::BenchError;
use crate::presence::Presence;

/// Step of the simulation, s. What samples see changes no faster.
const STEP_S: f64 = 0.01;
const STEP_NS: i64 = 10_000_000;
/// Farthest that the machine goes in one piece: limits and load are looked at in between.
const PIECE_STEPS: i64 = 100;
/// Pauses shorter than this are not slept: the system would sleep longer.
const SHORTEST_PAUSE: Duration = Duration::from_micros(200);
/// Warming of the board over the room, K a watt of the package. Invented.
const BOARD_K_PER_W: f64 = 0.06;

/// A switched-on machine. Its clock is what moves it: waiting until a time simulates up to there,
/// so that nothing happens between a caller's waits and a rehearsal is the same on a busy computer.
#[derive(Debug)]
pub struct Rehearsal {
    spec: MachineSpec,
    state: RefCell<State>,
    /// Held as long as the machine is on.
    _lock: File,
}

impl Rehearsal {
    /// Switches the machine in `root` on: settled at rest, its files brought up to date. Limits stay
    /// as the files have them.
    ///
    /// # Errors
    /// [`BenchError::Invalid`] if another program has it switched on, or its parameters make no
    /// machine; [`BenchError::File`].
    pub fn switch_on(root: &Path) -> Result<Self, BenchError> {
        let spec = MachineSpec::read(&root.join(layout::MACHINE))?;
        let lock = lock(root)?;
        let state = State::new(root, &spec)?;
        Ok(Self {
            spec,
            state: RefCell::new(state),
            _lock: lock,
        })
    }

    /// Its parameters.
    pub fn spec(&self) -> &MachineSpec {
        &self.spec
    }

    /// What held the power last.
    pub fn acting(&self) -> ActingLimit {
        self.state.borrow().acting
    }

    /// Runs it in real time until `stop` says so, for other programs to record by the system's clock.
    ///
    /// # Errors
    /// [`BenchError::File`] if its files cannot be written.
    pub fn run(&self, root: &Path, stop: impl Fn() -> bool) -> Result<(), BenchError> {
        let path = root.join(layout::LIVE);
        let who = Presence::here().to_json().to_string();
        std::fs::write(&path, who).map_err(|e| BenchError::file(&path, "write", e))?;
        while !stop() {
            let next = self.now().awake_ns + STEP_NS;
            self.sleep_until(next);
            if let Some(error) = self.state.borrow_mut().failed.take() {
                return Err(error);
            }
        }
        std::fs::remove_file(&path).map_err(|e| BenchError::file(&path, "remove", e))
    }
}

/// Whether a program keeps this rehearsal running in real time.
pub(crate) fn is_live(root: &Path) -> bool {
    std::fs::read_to_string(root.join(layout::LIVE))
        .ok()
        .and_then(|text| serde_json::from_str(&text).ok())
        .and_then(|value| Presence::from_json(&value))
        .is_some_and(|who| who.is_there())
}

impl Clock for Rehearsal {
    fn now(&self) -> Moment {
        let state = self.state.borrow();
        Moment {
            elapsed_ns: state.now_ns,
            awake_ns: state.now_ns,
            wall_ns: state.wall_ns + i128::from(state.now_ns),
        }
    }

    fn sleep_until(&self, awake_ns: i64) {
        let mut state = self.state.borrow_mut();
        while state.simulated_ns + STEP_NS <= awake_ns {
            let steps = ((awake_ns - state.simulated_ns) / STEP_NS).min(PIECE_STEPS);
            state.advance(&self.spec, steps);
        }
        state.now_ns = state.now_ns.max(awake_ns);
        let real_s = state.now_ns as f64 * 1e-9 / self.spec.speed;
        let due = state.begun + Duration::from_secs_f64(real_s.max(0.0));
        drop(state);
        let pause = due.saturating_duration_since(Instant::now());
        if pause > SHORTEST_PAUSE {
            std::thread::sleep(pause);
        }
    }
}

fn lock(root: &Path) -> Result<File, BenchError> {
    let path = root.join(layout::LOCK);
    let file = File::create(&path).map_err(|e| BenchError::file(&path, "write", e))?;
    file.try_lock().map_err(|_| {
        BenchError::invalid(
            root.display().to_string(),
            "another program has this rehearsal switched on; wait for it, or make another folder \
             with 'rehearse'",
        )
    })?;
    Ok(file)
}

/// A file that the machine writes, kept open and written only when it changes.
#[derive(Debug)]
struct Out {
    path: PathBuf,
    file: Option<File>,
    last: String,
}

impl Out {
    fn new(root: &Path, below: &str) -> Self {
        let path = root.join(below);
        Self {
            // Not made anew: a chip that a test took away stays away.
            file: File::options().write(true).open(&path).ok(),
            path,
            last: String::new(),
        }
    }

    fn put(&mut self, text: &str) {
        if self.last == text {
            return;
        }
        if self.file.is_none() {
            self.file = File::options().write(true).open(&self.path).ok();
        }
        let Some(file) = &self.file else { return };
        // A reader must never see a shorter number with the longer one's end: blanks hide it.
        let padded = format!("{text:<width$}\n", width = self.last.len());
        if write_at_start(file, padded.as_bytes()).is_ok() {
            let _ = file.set_len(padded.len() as u64);
            text.clone_into(&mut self.last);
        }
    }

    /// A reading that fails: nothing in the file.
    fn fail(&mut self) {
        if let Some(file) = &self.file {
            let _ = file.set_len(0);
            self.last.clear();
        }
    }
}

/// A limit as the firmware holds it, written without a moment in which the file is empty: a real one
/// never is, and a kill in that moment would leave it so.
fn hold_number(path: &Path, micro: f64) {
    if crate::discover::tree::number(path).is_some_and(|now| (now - micro).abs() < 0.5) {
        return;
    }
    // A limit that a test took away stays away.
    let Ok(file) = File::options().write(true).open(path) else {
        return;
    };
    let width = file.metadata().map_or(0, |meta| meta.len());
    let width = usize::try_from(width).unwrap_or(0).saturating_sub(1);
    let padded = format!("{:<width$}\n", format!("{micro:.0}"));
    // What could not be written is tried again at the next look.
    let _ = write_at_start(&file, padded.as_bytes());
}

#[cfg(unix)]
fn write_at_start(file: &File, bytes: &[u8]) -> std::io::Result<()> {
    use std::os::unix::fs::FileExt as _;
    file.write_all_at(bytes, 0)
}

#[cfg(not(unix))]
fn write_at_start(file: &File, bytes: &[u8]) -> std::io::Result<()> {
    use std::io::{Seek as _, SeekFrom, Write as _};
    let mut file = file;
    file.seek(SeekFrom::Start(0))?;
    file.write_all(bytes)
}

#[derive(Debug)]
struct Outs {
    package_c: Out,
    core_c: Vec<Out>,
    zone_c: Out,
    acpi_zone_c: Out,
    acpi_c: Out,
    drive_c: Out,
    board_c: [Out; 3],
    fans: [Out; 3],
    duties: [Out; 2],
    energy: Out,
    nested: Vec<Out>,
    clocks: Vec<Out>,
    throttle: Vec<Out>,
    stat: Out,
    work: Out,
}

impl Outs {
    fn new(root: &Path, cores: usize) -> Self {
        let of = |folder: &str, file: &str| Out::new(root, &format!("{folder}/{file}"));
        let board = |file: &str| of(layout::BOARD, file);
        Self {
            package_c: of(layout::CORETEMP, "temp1_input"),
            core_c: (0..cores)
                .map(|n| of(layout::CORETEMP, &format!("temp{}_input", n + 2)))
                .collect(),
            acpi_zone_c: of("sys/class/thermal/thermal_zone0", "temp"),
            zone_c: of("sys/class/thermal/thermal_zone1", "temp"),
            acpi_c: of(layout::ACPI, "temp1_input"),
            drive_c: of(layout::DRIVE, "temp1_input"),
            board_c: ["temp1_input", "temp2_input", "temp3_input"].map(board),
            fans: ["fan1_input", "fan2_input", "fan3_input"].map(board),
            duties: ["pwm1", "pwm2"].map(board),
            energy: of(layout::PACKAGE, "energy_uj"),
            nested: NESTED
                .iter()
                .map(|(folder, ..)| of(&format!("sys/class/powercap/{folder}"), "energy_uj"))
                .collect(),
            clocks: (0..cores)
                .map(|n| of(&layout::policy(n), "scaling_cur_freq"))
                .collect(),
            throttle: (0..cores)
                .flat_map(|n| {
                    let folder = format!("{}/thermal_throttle", layout::cpu(n));
                    [
                        of(&folder, "core_throttle_count"),
                        of(&folder, "package_throttle_count"),
                    ]
                })
                .collect(),
            stat: Out::new(root, "proc/stat"),
            work: Out::new(root, layout::WORK),
        }
    }
}

/// What is set from outside.
#[derive(Debug)]
struct Inputs {
    pl1_uw: PathBuf,
    pl2_uw: PathBuf,
    window_us: PathBuf,
    load: PathBuf,
    temp_limit: PathBuf,
    fan_max: PathBuf,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Limits {
    pl1_w: f64,
    pl2_w: f64,
    tau_s: f64,
}

#[derive(Debug)]
struct State {
    outs: Outs,
    inputs: Inputs,
    random: Random,
    simulator: Simulator,
    scenario: Scenario,
    standing: Standing,
    limits: Limits,
    begun: Instant,
    wall_ns: i128,
    /// What the clock shows.
    now_ns: i64,
    /// Up to where the machine is simulated.
    simulated_ns: i64,
    energy_uj: f64,
    work: f64,
    /// The share that this run's rate is off by.
    score_error: f64,
    loaded: bool,
    shown_c: f64,
    board_c: f64,
    throttled: u64,
    throttling: bool,
    busy_ticks: f64,
    all_ticks: f64,
    acting: ActingLimit,
    failed: Option<BenchError>,
}

impl State {
    fn new(root: &Path, spec: &MachineSpec) -> Result<Self, BenchError> {
        let inputs = Inputs {
            pl1_uw: root
                .join(layout::PACKAGE)
                .join("constraint_0_power_limit_uw"),
            pl2_uw: root
                .join(layout::PACKAGE)
                .join("constraint_1_power_limit_uw"),
            window_us: root
                .join(layout::PACKAGE)
                .join("constraint_0_time_window_us"),
            load: root.join(layout::LOAD),
            temp_limit: root.join(layout::HAND_TEMP_LIMIT),
            fan_max: root.join(layout::HAND_FAN_MAX),
        };
        super::set_load(root, 0.0)?;
        let limits = Limits {
            pl1_w: spec.pl1_w,
            pl2_w: spec.pl2_w,
            tau_s: spec.tau_s,
        };
        let scenario = Scenario {
            tiers: tiers(limits),
            temp_limit_c: Some(spec.temp_limit_c),
            fan: FanControl::Curve { ceiling: 1.0 },
            room: vec![(0.0, spec.room_c)],
            air_density_kg_m3: spec.air_density_kg_m3(),
            duration_s: STEP_S,
            step_s: STEP_S,
            start: Start::SettledAt {
                power_w: spec.idle_w,
            },
        };
        let mut simulator = Simulator::new();
        let standing = simulator
            .standing(&spec.model, &scenario)
            .map_err(|e| BenchError::invalid(root.display().to_string(), e.to_string()))?;
        let wall = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH);
        let shown_c = standing.nodes_c()[0];
        let mut state = Self {
            outs: Outs::new(root, spec.cores),
            inputs,
            random: Random::from_seed(spec.seed ^ 0x5eed),
            simulator,
            scenario,
            standing,
            limits,
            begun: Instant::now(),
            wall_ns: wall.map_or(0, |d| i128::try_from(d.as_nanos()).unwrap_or(0)),
            now_ns: 0,
            simulated_ns: 0,
            energy_uj: 0.0,
            work: 0.0,
            score_error: 0.0,
            loaded: false,
            shown_c,
            board_c: spec.room_c + BOARD_K_PER_W * spec.idle_w,
            throttled: 0,
            throttling: false,
            busy_ticks: 0.0,
            all_ticks: 0.0,
            acting: ActingLimit::Demand,
            failed: None,
        };
        state.advance(spec, 1);
        state.now_ns = state.simulated_ns;
        Ok(state)
    }

    /// Simulates some steps and writes what the sensors show then.
    fn advance(&mut self, spec: &MachineSpec, steps: i64) {
        let load = self.take_inputs(spec);
        let duration_s = steps as f64 * STEP_S;
        self.scenario.duration_s = duration_s;
        let model = &spec.model;
        let demand_w = spec.idle_w + load * (model.package.demand_w - spec.idle_w);
        let (mut energy_j, mut work, mut power_w, mut acting) =
            (0.0, 0.0, 0.0, ActingLimit::Demand);
        let (mut die_c, mut share) = (0.0, 0.0);
        let done = self.simulator.go_on(
            model,
            &self.scenario,
            demand_w,
            &mut self.standing,
            |step| {
                energy_j += step.power_w * step.dt_s;
                work += step.work_rate * step.dt_s;
                (power_w, acting) = (step.power_w, step.acting);
                (die_c, share) = (step.die_c, step.fan_share);
            },
        );
        if let Err(error) = done {
            self.failed = Some(BenchError::invalid("machine.json", error.to_string()));
        }
        self.simulated_ns += steps * STEP_NS;
        self.acting = acting;
        self.energy_uj = (self.energy_uj + 1e6 * energy_j) % (ENERGY_RANGE_UJ as f64);
        if load > 0.0 {
            self.work += work * load * (1.0 + self.score_error);
        }
        self.busy_ticks += 100.0 * duration_s * load * spec.cores as f64;
        self.all_ticks += 100.0 * duration_s * spec.cores as f64;
        let lag = spec.sensors.lag_s;
        self.shown_c += (die_c - self.shown_c) * (1.0 - (-duration_s / lag.max(1e-3)).exp());
        let board_c = spec.room_c + BOARD_K_PER_W * power_w;
        self.board_c += (board_c - self.board_c) * (1.0 - (-duration_s / 90.0).exp());
        let hot = acting == ActingLimit::Temperature;
        self.throttled += u64::from(hot && !self.throttling);
        self.throttling = hot;
        self.show(spec, power_w, share, load);
    }

    /// Reads load and limits; the firmware keeps limits in its own units, or ignores them.
    fn take_inputs(&mut self, spec: &MachineSpec) -> f64 {
        let number = |path: &Path| crate::discover::tree::number(path);
        let load = number(&self.inputs.load).unwrap_or(0.0).clamp(0.0, 1.0);
        if (load > 0.0) != self.loaded {
            self.loaded = load > 0.0;
            self.score_error = spec.sensors.score_share * self.random.normal();
        }
        let asked = Limits {
            pl1_w: number(&self.inputs.pl1_uw).map_or(self.limits.pl1_w, |uw| 1e-6 * uw),
            pl2_w: number(&self.inputs.pl2_uw).map_or(self.limits.pl2_w, |uw| 1e-6 * uw),
            tau_s: number(&self.inputs.window_us).map_or(self.limits.tau_s, |us| 1e-6 * us),
        };
        if asked != self.limits {
            self.hold(spec, asked);
        }
        self.scenario.temp_limit_c =
            Some(number(&self.inputs.temp_limit).unwrap_or(spec.temp_limit_c));
        let full_rpm = spec.model.full_speed_rpm.unwrap_or(1.0);
        let ceiling = number(&self.inputs.fan_max).map_or(1.0, |rpm| rpm / full_rpm);
        self.scenario.fan = FanControl::Curve {
            ceiling: ceiling.clamp(0.05, 1.0),
        };
        load
    }

    fn hold(&mut self, spec: &MachineSpec, asked: Limits) {
        if !spec.locked {
            let whole = |w: f64| (w / POWER_UNIT_W).floor() * POWER_UNIT_W;
            self.limits = Limits {
                pl1_w: whole(asked.pl1_w),
                pl2_w: whole(asked.pl2_w),
                tau_s: window::held_us(1e6 * asked.tau_s) as f64 * 1e-6,
            };
        }
        hold_number(&self.inputs.pl1_uw, 1e6 * self.limits.pl1_w);
        hold_number(&self.inputs.pl2_uw, 1e6 * self.limits.pl2_w);
        hold_number(&self.inputs.window_us, 1e6 * self.limits.tau_s);
        self.scenario.tiers = tiers(self.limits);
    }

    /// Writes the sensors' files.
    fn show(&mut self, spec: &MachineSpec, power_w: f64, share: f64, load: f64) {
        self.show_temperatures(spec);
        self.show_fans(spec, share);
        self.show_energy();
        self.show_clocks(spec, power_w, load);
        let (busy, idle) = (self.busy_ticks, self.all_ticks - self.busy_ticks);
        self.outs
            .stat
            .put(&format!("cpu  {busy:.0} 0 0 {idle:.0} 0 0 0 0 0 0"));
        let work = self.work;
        self.outs.work.put(&format!("{work:.6}"));
    }

    fn show_temperatures(&mut self, spec: &MachineSpec) {
        let sensors = spec.sensors;
        let step = sensors.temperature_step_k.max(1e-3);
        let mut noisy = |c: f64, step: f64| {
            let c = c + sensors.temperature_k * self.random.normal();
            format!("{:.0}", 1e3 * (c / step).round() * step)
        };
        let package = noisy(self.shown_c, step);
        for (n, core) in self.outs.core_c.iter_mut().enumerate() {
            // Cores lie a little below the hottest, each by its own amount.
            core.put(&noisy(self.shown_c - 1.0 - (n % 4) as f64, step));
        }
        self.outs.drive_c.put(&noisy(spec.room_c + 11.0, 1.0));
        let [board, regulators, intake] = &mut self.outs.board_c;
        board.put(&noisy(self.board_c, 1.0));
        regulators.put(&noisy(self.board_c + 8.0, 1.0));
        intake.put(&format!(
            "{:.0}",
            100.0 * (10.0 * (spec.room_c + 0.05 * self.random.normal())).round()
        ));
        let acpi = format!("{:.0}", 1e3 * (self.board_c + 0.8).round());
        self.outs.acpi_zone_c.put(&acpi);
        self.outs.acpi_c.put(&acpi);
        self.outs.zone_c.put(&package);
        self.outs.package_c.put(&package);
        if self.random.uniform() < sensors.fail {
            self.outs.package_c.fail();
        }
        if self.random.uniform() < sensors.fail {
            self.outs.fans[2].fail();
        }
    }

    fn show_fans(&mut self, spec: &MachineSpec, share: f64) {
        let full_rpm = spec.model.full_speed_rpm.unwrap_or(0.0);
        for (n, fan) in self.outs.fans.iter_mut().enumerate() {
            let slower = 1.0 - 0.15 * n as f64;
            let noise = 1.0 + spec.sensors.fan_share * self.random.normal();
            fan.put(&format!("{:.0}", full_rpm * share * slower * noise));
        }
        for duty in &mut self.outs.duties {
            duty.put(&format!("{:.0}", 255.0 * share));
        }
    }

    fn show_energy(&mut self) {
        let counted = |uj: f64| {
            let counts = (uj / ENERGY_UNIT_UJ).floor();
            format!("{:.0}", (counts * ENERGY_UNIT_UJ).floor())
        };
        self.outs.energy.put(&counted(self.energy_uj));
        for (out, (_, _, share)) in self.outs.nested.iter_mut().zip(NESTED) {
            out.put(&counted(share * self.energy_uj));
        }
    }

    fn show_clocks(&mut self, spec: &MachineSpec, power_w: f64, load: f64) {
        let package = &spec.model.package;
        let useful = |w: f64| (w - package.base_w).max(1.0);
        let ratio = useful(power_w) / useful(package.reference_w);
        let large = spec.cores.div_ceil(2);
        for (n, out) in self.outs.clocks.iter_mut().enumerate() {
            let law = package.clocks.get(usize::from(n >= large));
            let mhz = match law {
                Some(law) if load > 0.0 => {
                    let noise = 1.0 + 0.002 * self.random.normal();
                    (law.clock_ref_mhz * ratio.powf(law.exponent) * noise).max(800.0)
                }
                _ => 800.0,
            };
            out.put(&format!("{:.0}", 1e3 * mhz));
        }
        let count = self.throttled.to_string();
        for out in &mut self.outs.throttle {
            out.put(&count);
        }
    }
}

fn tiers(limits: Limits) -> Vec<BudgetTier> {
    vec![
        BudgetTier {
            limit_w: limits.pl1_w,
            window_s: limits.tau_s,
        },
        BudgetTier {
            limit_w: limits.pl2_w,
            window_s: 0.0,
        },
    ]
}
