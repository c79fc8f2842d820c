//! The command line, as clap reads it.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use settlepoint_domain::LimitValue;
use settlepoint_infer::fit::FitOptions;
use settlepoint_views::gather::Pick;

use crate::error::Failure;
use crate::prior_file;

/// Characterise a PC's cooling and power limits from a few runs, predict every other setting in any
/// room, and name the one to use.
#[derive(Debug, Parser)]
#[command(
    name = "settlepoint",
    version,
    after_help = "Exit codes: 0 done, 1 findings that --deny forbids, 2 wrong use, 3 data that can't \
                  be read, 4 not identified, 5 notebook or disk trouble, 6 interrupted.\n\n\
                  Limits above the maker's can damage parts or void the warranty, and a hot, unstable \
                  machine can lose data. Follow the makers' instructions."
)]
pub(crate) struct Cli {
    /// Print one JSON object on standard output; messages go to standard error.
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Run the whole job on an invented example: the workstation of an attic recording studio.
    Demo(DemoArgs),
    /// Read a log and say what is in it: channels, phases, plateaus, thermal model, findings.
    Inspect(InspectArgs),
    /// Make an empty notebook.
    New {
        /// File to make, ending in .settle.
        notebook: PathBuf,
    },
    /// Add something to a notebook.
    #[command(subcommand)]
    Add(AddCommand),
    /// List the runs with their averages.
    Runs {
        /// Notebook.
        notebook: PathBuf,
    },
    /// Leave a run out of every fit, with a reason; without a reason, take it back in.
    Exclude {
        /// Notebook.
        notebook: PathBuf,
        /// Run.
        run: String,
        /// Why; shown wherever the run is.
        #[arg(long)]
        reason: Option<String>,
    },
    /// Fit the models and say what is known and what is not.
    Fit(FitArgs),
    /// Predict a setting that was not run.
    Predict(Box<PredictArgs>),
    /// Watts that the cooling holds at a temperature.
    Capacity(CapacityArgs),
    /// Find the settings worth having and recommend one.
    Choose(ChooseArgs),
    /// Plan the next runs: which would tell most, what each would gain, and a sheet to work from.
    Plan(Box<PlanArgs>),
    /// Say whether settings differ in the work they do: faster, slower, the same within a margin, or
    /// how many more repetitions would tell.
    Compare(Box<CompareArgs>),
    /// Hold a run against what the other runs predict for it: as predicted, or hotter, louder,
    /// slower …, and what that suggests.
    Verify(VerifyArgs),
    /// Say whether another cooling of a machine (new fans, paste, places, dust) carries heat better:
    /// the change of K/W at equal fan speed and at equal level.
    BeforeAfter(BeforeAfterArgs),
    /// Check units against a reference unit of their model, within tolerances, from one short run.
    Check(CheckArgs),
    /// Say what is wrong with the runs of a notebook, or with a log, and what to do about it.
    Review(ReviewArgs),
    /// List the runs by work, temperature, power, noise and energy.
    Rank(RankArgs),
    /// Levels, bands and loudness of sound recordings (WAV).
    Sound(Box<SoundArgs>),
    /// The quietest speeds of several fans that hold a temperature.
    Quietest(QuietestArgs),
    /// Draw a chart as SVG or PNG.
    Chart(Box<ChartArgs>),
    /// Write a report: what was measured, how, what follows, and what is not known; one HTML file, or
    /// Markdown.
    Report(ReportArgs),
    /// List the sensors that can be recorded, with the role guessed for each.
    Channels(ChannelsArgs),
    /// Record this machine's sensors into a notebook, at rest or under a load.
    Record(Box<RecordArgs>),
    /// Walk through a run sheet: settle, set or ask for each setting, run, record, cool, next.
    Campaign(Box<CampaignArgs>),
    /// Watch over limits that a campaign has changed; started by the campaign itself.
    #[command(hide = true)]
    GuardLimits {
        /// Where the former limits are kept.
        store: PathBuf,
    },
    /// Show it all in a browser on this machine, and do the whole job there.
    Serve(ServeArgs),
    /// Make an invented machine to rehearse on, in a folder laid out as the kernel's files are.
    Rehearse(RehearseArgs),
    /// Write everything in a notebook to a folder.
    Export(ExportArgs),
    /// Copy everything from other notebooks into one.
    Merge {
        /// Notebook that receives.
        into: PathBuf,
        /// Notebooks to copy from.
        #[arg(required = true)]
        from: Vec<PathBuf>,
    },
    /// Print completions for a shell.
    Completions {
        /// Shell.
        shell: clap_complete::Shell,
    },
    /// Print the manual page.
    Manual,
}

#[derive(Debug, Args)]
pub(crate) struct ChannelsArgs {
    /// Where the kernel's files are: this machine's unless a rehearsal's folder is given.
    #[arg(long, value_name = "FOLDER", default_value = "/")]
    pub(crate) root: PathBuf,
}

/// Which sensors are recorded, and how often.
#[derive(Debug, Args)]
pub(crate) struct SensorArgs {
    /// Where the kernel's files are: this machine's unless a rehearsal's folder is given.
    #[arg(long, value_name = "FOLDER", default_value = "/")]
    pub(crate) root: PathBuf,
    /// Samples a second.
    #[arg(long, value_name = "HZ", default_value_t = 10.0, value_parser = number(0.001, 1000.0), allow_negative_numbers = true)]
    pub(crate) rate: f64,
    /// Record only this channel, by its id in 'settlepoint channels'; may be repeated.
    #[arg(long, value_name = "ID")]
    pub(crate) only: Vec<String>,
    /// Leave this channel out; may be repeated.
    #[arg(long, value_name = "ID")]
    pub(crate) without: Vec<String>,
    /// Give a channel another role; it then speaks for that role.
    #[arg(long, value_name = "ID=ROLE")]
    pub(crate) role: Vec<String>,
    /// Record the number in a file, too; `*0.001` scales to W, °C, rpm or MHz.
    #[arg(long, value_name = "ROLE=PATH[*FACTOR]")]
    pub(crate) file: Vec<String>,
    /// Record the first number that a command prints, asked once a second.
    #[arg(long, value_name = "ROLE=COMMAND")]
    pub(crate) probe: Vec<String>,
}

#[derive(Debug, Args)]
pub(crate) struct RecordArgs {
    /// Notebook; not needed with --to.
    #[arg(required_unless_present = "to")]
    pub(crate) notebook: Option<PathBuf>,
    /// Write the samples as CSV to this file instead, or to standard output with `-`: for a pipe to
    /// 'settlepoint add log NOTEBOOK -' on another machine.
    #[arg(long, value_name = "FILE", conflicts_with = "notebook")]
    pub(crate) to: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) sensors: SensorArgs,
    /// Seconds to record, under load if there is one; until the load ends, or Ctrl-C, if not given.
    #[arg(long = "for", value_name = "S", value_parser = number(0.1, 1e7), allow_negative_numbers = true)]
    pub(crate) run_s: Option<f64>,
    /// Seconds at rest before the load.
    #[arg(long, value_name = "S", default_value_t = 0.0, value_parser = number(0.0, 1e5), allow_negative_numbers = true)]
    pub(crate) rest_before: f64,
    /// Seconds at rest after the load.
    #[arg(long, value_name = "S", default_value_t = 0.0, value_parser = number(0.0, 1e5), allow_negative_numbers = true)]
    pub(crate) rest_after: f64,
    /// Built-in load: vector, memory, branch, mixed or rest, then any of cores=N, kind=large|small,
    /// period=SECONDS, duty=SHARE, work=PASSES with commas between.
    #[arg(long, value_name = "LOAD", conflicts_with = "command")]
    pub(crate) load: Option<String>,
    /// Command to run as the load.
    #[arg(long, value_name = "COMMAND")]
    pub(crate) command: Option<String>,
    /// Pattern whose first group is the score in the command's output.
    #[arg(
        long,
        value_name = "REGEX",
        requires = "command",
        conflicts_with = "score_json"
    )]
    pub(crate) score_pattern: Option<String>,
    /// Place of the score in the command's JSON, as results.0.score.
    #[arg(long, value_name = "PATH", requires = "command")]
    pub(crate) score_json: Option<String>,
    /// End the load when the package reaches this, °C.
    #[arg(long, value_name = "C", value_parser = number(20.0, 150.0), allow_negative_numbers = true)]
    pub(crate) stop_temp: Option<f64>,
    /// End the load after this long, s.
    #[arg(long, value_name = "S", value_parser = number(1.0, 1e7), allow_negative_numbers = true)]
    pub(crate) stop_after: Option<f64>,
    /// Name of the run; by its start if not given.
    #[arg(long)]
    pub(crate) name: Option<String>,
    /// Machine.
    #[arg(long)]
    pub(crate) machine: Option<String>,
    /// Cooling.
    #[arg(long)]
    pub(crate) cooling: Option<String>,
    /// Tune.
    #[arg(long)]
    pub(crate) tune: Option<String>,
    /// Workload; the load itself if not given.
    #[arg(long)]
    pub(crate) workload: Option<String>,
    /// A setting that the notebook has; or give the limits here. Power limits not given are read
    /// from the machine.
    #[arg(long)]
    pub(crate) setting: Option<String>,
    #[command(flatten)]
    pub(crate) limits: LimitArgs,
    /// Room temperature, °C, where no sensor tells it.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: Option<f64>,
    /// Altitude, m.
    #[arg(long, value_name = "M", value_parser = number(-500.0, 9000.0), allow_negative_numbers = true)]
    pub(crate) altitude: Option<f64>,
}

/// Whether and how far power limits are written.
#[derive(Debug, Args)]
pub(crate) struct WriteArgs {
    /// Write power limits to this machine; without it each setting is to be made by hand.
    #[arg(long, conflicts_with = "logs")]
    pub(crate) write_limits: bool,
    /// Allow limits above a constraint's own reported maximum, which may be the thermal specification
    /// power; never above the largest of the zone's maxima and the firmware's own settings.
    #[arg(long, requires = "write_limits")]
    pub(crate) above_rated: bool,
    /// Windows that the maker's data sheet allows, s, where the zone does not report them.
    #[arg(long, value_name = "MIN:MAX", requires = "write_limits")]
    pub(crate) window_range: Option<String>,
    /// The cautions have been read: their short code, which stands below them.
    #[arg(long, value_name = "CODE", requires = "write_limits")]
    pub(crate) yes: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct CampaignArgs {
    /// Notebook; runs that it has already are not made again, so a campaign goes on where it stopped.
    pub(crate) notebook: PathBuf,
    /// Run sheet: one row a run, with any of the columns order, run, machine, cooling, tune, workload,
    /// setting, `pl1_w`, `pl2_w`, `tau_s`, `temp_limit_c`, `fan_max_rpm`, `room_c`, `warm_up_s`, `run_s`,
    /// `cool_down_s`, block, reason. An empty limit is the firmware's own.
    #[arg(long, value_name = "FILE")]
    pub(crate) sheet: PathBuf,
    #[command(flatten)]
    pub(crate) sensors: SensorArgs,
    /// Only say what is done, what is left and how long it takes.
    #[arg(long)]
    pub(crate) list: bool,
    /// Leave this run out; may be repeated.
    #[arg(long, value_name = "RUN")]
    pub(crate) skip: Vec<String>,
    /// The runs are made elsewhere: ask for each setting and take the file of each log.
    #[arg(long)]
    pub(crate) logs: bool,
    /// Built-in load of every workload that has none of its own, as for 'record'. A workload named like
    /// a built-in load is that load.
    #[arg(long, value_name = "LOAD", conflicts_with = "command")]
    pub(crate) load: Option<String>,
    /// Command of every workload that has none of its own.
    #[arg(long, value_name = "COMMAND")]
    pub(crate) command: Option<String>,
    /// Built-in load of one workload; may be repeated.
    #[arg(long, value_name = "WORKLOAD=LOAD")]
    pub(crate) load_of: Vec<String>,
    /// Command of one workload; may be repeated.
    #[arg(long, value_name = "WORKLOAD=COMMAND")]
    pub(crate) command_of: Vec<String>,
    /// Pattern whose first group is the score in the commands' output.
    #[arg(long, value_name = "REGEX", conflicts_with = "score_json")]
    pub(crate) score_pattern: Option<String>,
    /// Place of the score in the commands' JSON, as results.0.score.
    #[arg(long, value_name = "PATH")]
    pub(crate) score_json: Option<String>,
    /// Longest wait for the machine to settle at rest before a run, s.
    #[arg(long, value_name = "S", default_value_t = 900.0, value_parser = number(0.0, 1e5), allow_negative_numbers = true)]
    pub(crate) settle_within: f64,
    /// Seconds at rest that are recorded before the load.
    #[arg(long, value_name = "S", default_value_t = 30.0, value_parser = number(0.0, 1e5), allow_negative_numbers = true)]
    pub(crate) rest_before: f64,
    /// Seconds under load before the scored part, where the sheet does not say.
    #[arg(long, value_name = "S", default_value_t = 0.0, value_parser = number(0.0, 86_400.0), allow_negative_numbers = true)]
    pub(crate) warm_up: f64,
    /// Seconds of the scored part, where the sheet does not say; a command runs to its own end.
    #[arg(long = "for", value_name = "S", default_value_t = 600.0, value_parser = number(1.0, 604_800.0), allow_negative_numbers = true)]
    pub(crate) run_s: f64,
    /// Seconds at rest that are recorded after the load, where the sheet does not say.
    #[arg(long, value_name = "S", default_value_t = 60.0, value_parser = number(0.0, 86_400.0), allow_negative_numbers = true)]
    pub(crate) cool_down: f64,
    /// End a load when the package reaches this, °C; 5 K above the maximum that its sensor reports if
    /// not given.
    #[arg(long, value_name = "C", value_parser = number(20.0, 150.0), allow_negative_numbers = true)]
    pub(crate) stop_temp: Option<f64>,
    /// End a load after this long, s.
    #[arg(long, value_name = "S", value_parser = number(1.0, 1e7), allow_negative_numbers = true)]
    pub(crate) stop_after: Option<f64>,
    #[command(flatten)]
    pub(crate) write: WriteArgs,
    /// Room temperature, °C, where neither a sensor nor the sheet tells it.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: Option<f64>,
    /// Altitude, m.
    #[arg(long, value_name = "M", value_parser = number(-500.0, 9000.0), allow_negative_numbers = true)]
    pub(crate) altitude: Option<f64>,
}

#[derive(Debug, Args)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a switch of the command line"
)]
pub(crate) struct SoundArgs {
    /// Recordings: WAV, RF64 or W64, integers or floating point; also M4A, MP3, FLAC and Ogg Vorbis if
    /// built with the feature phone-formats.
    #[arg(required_unless_present = "sweep")]
    pub(crate) files: Vec<PathBuf>,
    /// Log of the fan speed during the one recording, in which the speed is stepped or ramped: gives level
    /// and tones against speed. Without a recording, a table of speeds and meter's readings in dB(A).
    #[arg(long, value_name = "LOG")]
    pub(crate) sweep: Option<PathBuf>,
    /// Start of the recording in the log's time, s; found from the sound if not given.
    #[arg(long, value_name = "S", requires = "sweep", value_parser = number(-1e6, 1e6), allow_negative_numbers = true)]
    pub(crate) start: Option<f64>,
    /// Speed to which the level of a sweep refers, rpm; the highest seen if not given.
    #[arg(long, value_name = "RPM", requires = "sweep", value_parser = number(1.0, 100_000.0), allow_negative_numbers = true)]
    pub(crate) full_speed: Option<f64>,
    /// Lowest level that the meter or recorder shows, dB(A): in a sweep, what stands there is "at most
    /// this".
    #[arg(long, value_name = "DBA", requires = "sweep", value_parser = number(-150.0, 140.0), allow_negative_numbers = true)]
    pub(crate) floor: Option<f64>,
    #[command(flatten)]
    pub(crate) read: ReadArgs,
    /// What calibrates them: reading=DBA, what a meter beside the microphone showed during the first
    /// recording; or FILE=DB, a recording of an acoustic calibrator of this level with the same gain.
    #[arg(long, value_name = "WHAT=DB")]
    pub(crate) calibrate: Option<String>,
    /// Table of the microphone's response: frequency in Hz and dB a line.
    #[arg(long, value_name = "FILE")]
    pub(crate) microphone: Option<PathBuf>,
    /// The room with the machine off: a recording with the same gain, or its level in dB(A).
    #[arg(long, value_name = "FILE|DBA", allow_hyphen_values = true)]
    pub(crate) background: Option<String>,
    /// How exact the background's correction is to be.
    #[arg(long, value_enum, default_value = "engineering")]
    pub(crate) grade: GradeArg,
    /// Distance from the machine to the microphone, m.
    #[arg(long, value_name = "M", value_parser = number(0.05, 100.0), allow_negative_numbers = true)]
    pub(crate) distance: Option<f64>,
    /// Distance from the machine to the ear, m: the level there as in the open.
    #[arg(long, value_name = "M", requires = "distance", value_parser = number(0.05, 100.0), allow_negative_numbers = true)]
    pub(crate) seat: Option<f64>,
    /// Take the sound as coming from all sides (across the room) for loudness, not from the front.
    #[arg(long)]
    pub(crate) diffuse: bool,
    /// Each recording is of one source alone (fans one by one, the others stopped): add them up, say what
    /// each contributes and which one to slow first.
    #[arg(long, conflicts_with = "sweep")]
    pub(crate) sources: bool,
    /// Recording of all sources together, to compare with their sum.
    #[arg(long, value_name = "FILE", requires = "sources")]
    pub(crate) together: Option<PathBuf>,
    /// Notebook with recorders and runs, for --recorder and --run.
    #[arg(long, value_name = "NOTEBOOK")]
    pub(crate) into: Option<PathBuf>,
    /// Recorder (phone or interface at one gain): with --calibrate or --microphone these are kept under
    /// this name in the notebook, without them they are taken from there.
    #[arg(long, value_name = "NAME", requires = "into")]
    pub(crate) recorder: Option<String>,
    /// Keep the level in the notebook as a reading beside this run: the same setting and workload, with
    /// distance, background and fan speed where given. With --sweep, one reading for each speed, under the
    /// same setting with the fans at that speed.
    #[arg(long, value_name = "RUN", requires = "into")]
    pub(crate) run: Option<String>,
    /// Phase of that run that was recorded.
    #[arg(long, value_name = "idle|boost|sustained", default_value = "sustained", value_parser = ["idle", "boost", "sustained"])]
    pub(crate) phase: String,
    /// Fan speed during the recordings, rpm: tones that go with it are named.
    #[arg(long, value_name = "RPM", value_parser = number(1.0, 100_000.0), allow_negative_numbers = true)]
    pub(crate) fan_speed: Option<f64>,
    /// Blades of the fan: only tones of its blade passing are put down to it.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=99))]
    pub(crate) blades: Option<u32>,
    /// Write the narrow-band spectrum of the one recording as CSV: frequency in Hz and the level of its line in
    /// dB. The file must not be there yet.
    #[arg(long, value_name = "FILE", conflicts_with = "sweep")]
    pub(crate) spectrum: Option<PathBuf>,
    /// Leave nothing out: speech, doors and wind count.
    #[arg(long)]
    pub(crate) keep_all: bool,
    /// Take levels as absolute although the signal looks like automatic gain or noise gating; only if
    /// you know that the recorder has neither.
    #[arg(long)]
    pub(crate) trust_gain: bool,
}

#[derive(Debug, Args)]
pub(crate) struct QuietestArgs {
    /// Description of the machine in TOML; `--template` prints one to fill in.
    #[arg(required_unless_present = "template")]
    pub(crate) machine: Option<PathBuf>,
    /// Print a description to fill in.
    #[arg(long)]
    pub(crate) template: bool,
    /// Power, W, instead of the description's.
    #[arg(long, value_name = "W", value_parser = number(0.0, 100_000.0), allow_negative_numbers = true)]
    pub(crate) power: Option<f64>,
    /// Room temperature, °C, instead of the description's.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: Option<f64>,
    /// Highest temperature, °C, instead of the description's.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 200.0), allow_negative_numbers = true)]
    pub(crate) temp_max: Option<f64>,
}

/// Grades of a background's correction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum GradeArg {
    /// ISO 3744: at least 6 dB above the background.
    Engineering,
    /// ISO 3746: at least 3 dB.
    Survey,
}

#[derive(Debug, Args)]
pub(crate) struct ServeArgs {
    /// Notebook; without one, the first page opens or makes one.
    pub(crate) notebook: Option<PathBuf>,
    /// Port; a free one unless given.
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub(crate) port: u16,
    /// Open the address in the browser.
    #[arg(long)]
    pub(crate) open: bool,
    /// Ask for a key, which stands in the printed address, on this machine, too: for machines that
    /// other people are logged in to.
    #[arg(long)]
    pub(crate) key: bool,
    /// Answer under this address of the machine instead of the loopback one, to anyone on the network
    /// who has the key in the printed address. Not encrypted.
    #[arg(long, value_name = "ADDRESS")]
    pub(crate) listen_on_network: Option<std::net::IpAddr>,
}

#[derive(Debug, Args)]
pub(crate) struct RehearseArgs {
    /// Folder to make; a rehearsal that is there already is made anew.
    pub(crate) folder: PathBuf,
    /// Which invented machine: every number is another one.
    #[arg(long, default_value_t = 1, value_name = "N")]
    pub(crate) seed: u64,
    /// How many times faster than real its time runs.
    #[arg(long, default_value_t = 60.0, value_parser = number(0.01, 1000.0), allow_negative_numbers = true)]
    pub(crate) speed: f64,
    /// Cores, half of them large and half small.
    #[arg(long, default_value_t = 8, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=256))]
    pub(crate) cores: u64,
    /// Room temperature, °C.
    #[arg(long, value_name = "C", default_value_t = 22.0, value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: f64,
    /// Firmware that ignores limits written to it.
    #[arg(long)]
    pub(crate) locked: bool,
    /// Keep it switched on in real time, for other programs to read, until Ctrl-C.
    #[arg(long)]
    pub(crate) live: bool,
}

#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// Folder to work in; the current one unless given.
    #[arg(short, long, value_name = "FOLDER")]
    pub(crate) output: Option<PathBuf>,
}

/// How a log is read.
#[derive(Debug, Args)]
pub(crate) struct ReadArgs {
    /// Give a column a role: ROLE=COLUMN, by name or 1-based number; `*0.01` scales, `@degF` states
    /// a unit. Roles: time, power, energy, temperature, coolant, room, `fan_speed`, `fan_duty`,
    /// `pump_speed`, clock, level, load, limit, throttle, score, work, part, other.
    #[arg(long, value_name = "ROLE=COLUMN")]
    pub(crate) channel: Vec<String>,
    /// Seconds between rows, where the file has no time.
    #[arg(long, value_name = "SECONDS", value_parser = number(1e-6, 1e6), allow_negative_numbers = true)]
    pub(crate) interval: Option<f64>,
    /// Which of several devices in the file.
    #[arg(long, value_name = "NAME")]
    pub(crate) device: Option<String>,
    /// Order of day, month and year in dates.
    #[arg(
        long,
        visible_alias = "day-order",
        value_name = "day_first|month_first|year_first"
    )]
    pub(crate) dates: Option<String>,
    /// Read by a saved recipe.
    #[arg(long, value_name = "FILE")]
    pub(crate) recipe: Option<PathBuf>,
    /// Save how the file was read, for the next file like it.
    #[arg(long, value_name = "FILE")]
    pub(crate) save_recipe: Option<PathBuf>,
}

impl ReadArgs {
    /// A log read as it says itself.
    pub(crate) fn plain() -> Self {
        Self {
            channel: Vec::new(),
            interval: None,
            device: None,
            dates: None,
            recipe: None,
            save_recipe: None,
        }
    }
}

#[derive(Debug, Args)]
pub(crate) struct InspectArgs {
    /// Log to read; `-` for standard input.
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) read: ReadArgs,
    /// Room temperature, °C, where the log has none.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: Option<f64>,
    /// Fit the thermal model on the first seconds only and test it on the rest.
    #[arg(long, value_name = "S", value_parser = number(0.001, 1e9), allow_negative_numbers = true)]
    pub(crate) fit_until: Option<f64>,
    /// Exit with 1 if there is a finding at least this bad.
    #[arg(long, value_name = "note|warning|error")]
    pub(crate) deny: Option<String>,
}

/// Things to add.
#[derive(Debug, Subcommand)]
pub(crate) enum AddCommand {
    /// A machine: what stays.
    Machine {
        /// Notebook.
        notebook: PathBuf,
        /// Name.
        #[arg(allow_hyphen_values = true)]
        name: String,
        /// Model, so that units of one model can be compared.
        #[arg(long, default_value = "")]
        model: String,
        /// Serial of this unit.
        #[arg(long, default_value = "")]
        serial: String,
        /// Free text.
        #[arg(long, default_value = "")]
        notes: String,
    },
    /// A cooling: an arrangement of cooler, fans, paste, positions.
    Cooling {
        /// Notebook.
        notebook: PathBuf,
        /// Name.
        #[arg(allow_hyphen_values = true)]
        name: String,
        /// Machine; needed only if there are several.
        #[arg(long)]
        machine: Option<String>,
        /// The fans' full speed, rpm, if known.
        #[arg(long, value_name = "RPM", value_parser = number(1.0, 50_000.0), allow_negative_numbers = true)]
        fan_max: Option<f64>,
        /// Free text.
        #[arg(long, default_value = "")]
        notes: String,
    },
    /// A tune: voltage offset, active cores, memory profile, firmware version.
    Tune {
        /// Notebook.
        notebook: PathBuf,
        /// Name.
        #[arg(allow_hyphen_values = true)]
        name: String,
        /// Machine; needed only if there are several.
        #[arg(long)]
        machine: Option<String>,
        /// Free text.
        #[arg(long, default_value = "")]
        notes: String,
    },
    /// A setting: limits and fans.
    Setting {
        /// Notebook.
        notebook: PathBuf,
        /// Name.
        #[arg(allow_hyphen_values = true)]
        name: String,
        #[command(flatten)]
        limits: LimitArgs,
    },
    /// A workload: a job with its score, hours and weight.
    Workload(WorkloadArgs),
    /// A run from a log, or one run for each level of a column.
    Log(Box<AddLogArgs>),
    /// Runs typed by hand: a table with one row a phase.
    Readings {
        /// Print an empty table with its columns and an example in comments, and stop.
        #[arg(long)]
        template: bool,
        /// Notebook.
        #[arg(required_unless_present = "template")]
        notebook: Option<PathBuf>,
        /// Table; `-` for standard input.
        #[arg(required_unless_present = "template")]
        file: Option<PathBuf>,
    },
    /// A recording of frame times, one row a frame.
    Frames(Box<AddFramesArgs>),
    /// Scores: `setting,workload,score` rows, one column a setting, or numbered columns of
    /// repetitions. Rows may name their run, order, time and block.
    Scores {
        /// Notebook.
        notebook: PathBuf,
        /// Table; `-` for standard input.
        file: PathBuf,
        /// Workload, where the table has no such column.
        #[arg(long)]
        workload: Option<String>,
        /// Run that the scores are of, where the table has no such column; made if there is none.
        #[arg(long)]
        run: Option<String>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct AddFramesArgs {
    /// Notebook.
    pub(crate) notebook: PathBuf,
    /// Log of frame times; `-` for standard input.
    pub(crate) file: PathBuf,
    /// Setting that it was recorded under.
    #[arg(long)]
    pub(crate) setting: Option<String>,
    /// Workload that ran; needed only if there are several.
    #[arg(long)]
    pub(crate) workload: Option<String>,
    /// Run that it is of, by name or id; made if there is none. Without it, the only run of the
    /// setting and workload.
    #[arg(long)]
    pub(crate) run: Option<String>,
    /// Machine of a new run; needed only if there are several.
    #[arg(long)]
    pub(crate) machine: Option<String>,
    /// Cooling of a new run; needed only if there are several.
    #[arg(long)]
    pub(crate) cooling: Option<String>,
    /// Tune of a new run.
    #[arg(long)]
    pub(crate) tune: Option<String>,
    /// Room temperature of a new run, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: Option<f64>,
    /// Unit of the frame times; read from the header, or guessed and said, if not given.
    #[arg(long, value_enum)]
    pub(crate) frame_unit: Option<FrameUnitArg>,
    /// Column of the frame times, by name or 1-based number.
    #[arg(long, value_name = "COLUMN")]
    pub(crate) frame_column: Option<String>,
}

/// Limits as typed: a number, `automatic`, `unlimited` or `unknown`.
#[derive(Debug, Args)]
pub(crate) struct LimitArgs {
    /// Sustained power limit, W.
    #[arg(long, value_name = "W", value_parser = parse_limit, default_value = "unknown", allow_hyphen_values = true)]
    pub(crate) pl1: LimitValue,
    /// Short-time power limit, W.
    #[arg(long, value_name = "W", value_parser = parse_limit, default_value = "unknown", allow_hyphen_values = true)]
    pub(crate) pl2: LimitValue,
    /// Averaging window of the sustained limit, s.
    #[arg(long, value_name = "S", value_parser = parse_limit, default_value = "unknown", allow_hyphen_values = true)]
    pub(crate) tau: LimitValue,
    /// Temperature limit, °C.
    #[arg(long, value_name = "C", value_parser = parse_limit, default_value = "unknown", allow_hyphen_values = true)]
    pub(crate) temp_limit: LimitValue,
    /// A further tier: watts and window in seconds.
    #[arg(long, value_name = "W:S")]
    pub(crate) limit: Vec<String>,
    /// Highest fan speed, rpm.
    #[arg(long, value_name = "RPM", conflicts_with_all = ["fan_fixed", "fan_curve"], value_parser = number(1.0, 50_000.0), allow_negative_numbers = true)]
    pub(crate) fan_max: Option<f64>,
    /// One fan speed, rpm.
    #[arg(long, value_name = "RPM", conflicts_with = "fan_curve", value_parser = number(1.0, 50_000.0), allow_negative_numbers = true)]
    pub(crate) fan_fixed: Option<f64>,
    /// Fan curve: a table of temperature °C and speed rpm.
    #[arg(long, value_name = "FILE")]
    pub(crate) fan_curve: Option<PathBuf>,
}

impl LimitArgs {
    /// Nothing said.
    pub(crate) fn unknown() -> Self {
        Self {
            pl1: LimitValue::Unknown,
            pl2: LimitValue::Unknown,
            tau: LimitValue::Unknown,
            temp_limit: LimitValue::Unknown,
            limit: Vec::new(),
            fan_max: None,
            fan_fixed: None,
            fan_curve: None,
        }
    }
}

/// A reader of numbers within what can be.
fn number(lo: f64, hi: f64) -> impl Fn(&str) -> Result<f64, String> + Clone {
    move |text| match text.trim().parse::<f64>() {
        Ok(value) if (lo..=hi).contains(&value) => Ok(value),
        _ => Err(format!(
            "give a number from {} to {}, with a decimal point and without a unit",
            bound(lo),
            bound(hi)
        )),
    }
}

/// A bound as people write it.
pub(crate) fn bound(value: f64) -> String {
    if value == 0.0 || (1e-4..1e8).contains(&value.abs()) {
        value.to_string()
    } else {
        format!("{value:e}")
    }
}

/// Reads a limit.
pub(crate) fn parse_limit(text: &str) -> Result<LimitValue, String> {
    match text.trim().to_ascii_lowercase().as_str() {
        "" | "unknown" | "?" => Ok(LimitValue::Unknown),
        "auto" | "automatic" => Ok(LimitValue::Automatic),
        "unlimited" | "none" | "off" | "max" => Ok(LimitValue::Unlimited),
        number => number.parse().map(LimitValue::Value).map_err(|_| {
            "give a number, with a decimal point and without a unit, or automatic, unlimited or \
             unknown"
                .to_owned()
        }),
    }
}

/// How a score arises.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum KindArg {
    /// Mean rate over the whole run, boost included.
    MeanRate,
    /// The rate of the last pass: the settled one.
    LastPass,
    /// Time for a fixed amount of work.
    Time,
}

#[derive(Debug, Args)]
pub(crate) struct WorkloadArgs {
    /// Notebook.
    pub(crate) notebook: PathBuf,
    /// Name.
    pub(crate) name: String,
    /// Unit of the score.
    #[arg(long, default_value = "")]
    pub(crate) unit: String,
    /// How the score arises.
    #[arg(long, value_enum, default_value = "mean-rate")]
    pub(crate) kind: KindArg,
    /// Less is better (a time is so by itself).
    #[arg(long)]
    pub(crate) lower_is_better: bool,
    /// Usual length of one run, minutes.
    #[arg(long, default_value_t = 10.0, value_parser = number(0.01, 1e5), allow_negative_numbers = true)]
    pub(crate) minutes: f64,
    /// Hours a week.
    #[arg(long, value_parser = number(0.0, 168.0), allow_negative_numbers = true)]
    pub(crate) hours: Option<f64>,
    /// Weight in the choice; the hours if not given.
    #[arg(long, value_parser = number(0.0, 1e6), allow_negative_numbers = true)]
    pub(crate) weight: Option<f64>,
    /// Largest loss that is acceptable, percent.
    #[arg(long, value_name = "PCT", value_parser = number(0.0, 100.0), allow_negative_numbers = true)]
    pub(crate) loss_max: Option<f64>,
    /// Idle or light use: only heat and noise count.
    #[arg(long)]
    pub(crate) idle: bool,
}

#[derive(Debug, Args)]
pub(crate) struct AddLogArgs {
    /// Notebook.
    pub(crate) notebook: PathBuf,
    /// Log; `-` for standard input.
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) read: ReadArgs,
    /// Name of the run; the file's name if not given.
    #[arg(long)]
    pub(crate) name: Option<String>,
    /// Machine.
    #[arg(long)]
    pub(crate) machine: Option<String>,
    /// Cooling.
    #[arg(long)]
    pub(crate) cooling: Option<String>,
    /// Tune.
    #[arg(long)]
    pub(crate) tune: Option<String>,
    /// Workload.
    #[arg(long)]
    pub(crate) workload: Option<String>,
    /// A setting that the notebook has; or give the limits here.
    #[arg(long)]
    pub(crate) setting: Option<String>,
    #[command(flatten)]
    pub(crate) limits: LimitArgs,
    /// Room temperature, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: Option<f64>,
    /// Altitude, m.
    #[arg(long, value_name = "M", value_parser = number(-500.0, 9000.0), allow_negative_numbers = true)]
    pub(crate) altitude: Option<f64>,
    /// Score of the run; may be repeated.
    #[arg(long, value_parser = number(1e-12, 1e15), allow_negative_numbers = true)]
    pub(crate) score: Vec<f64>,
    /// One run for each level of this column.
    #[arg(long, value_name = "COLUMN")]
    pub(crate) runs_by: Option<String>,
    /// Take PL1 from this column.
    #[arg(long, value_name = "COLUMN")]
    pub(crate) pl1_from: Option<String>,
    /// Take PL2 from this column.
    #[arg(long, value_name = "COLUMN")]
    pub(crate) pl2_from: Option<String>,
    /// Take the temperature limit from this column.
    #[arg(long, value_name = "COLUMN")]
    pub(crate) temp_limit_from: Option<String>,
    /// Take the room temperature from this column.
    #[arg(long, value_name = "COLUMN")]
    pub(crate) room_from: Option<String>,
}

/// Which machine, cooling and runs a command is about.
#[derive(Debug, Args)]
pub(crate) struct PickArgs {
    /// Notebook.
    pub(crate) notebook: PathBuf,
    /// Machine; needed only if there are several.
    #[arg(long)]
    pub(crate) machine: Option<String>,
    /// Cooling; the one with most runs if not given.
    #[arg(long)]
    pub(crate) cooling: Option<String>,
    /// Start from what an earlier machine of the notebook turned out to be.
    #[arg(long, value_name = "MACHINE")]
    pub(crate) like: Option<String>,
    /// Use the priors in this TOML file instead of the table's (see 'fit --priors').
    #[arg(long, value_name = "FILE")]
    pub(crate) prior_file: Option<PathBuf>,
    /// Take longer and draw more: for final figures, or where 'fit' says that draws do not agree.
    #[arg(long)]
    pub(crate) thorough: bool,
}

impl PickArgs {
    /// Machine, cooling and how to fit, without the notebook.
    ///
    /// # Errors
    /// A file of priors that cannot be read.
    pub(crate) fn pick(&self) -> Result<Pick, Failure> {
        let priors = match &self.prior_file {
            Some(file) => prior_file::read(file)?,
            None => Vec::new(),
        };
        Ok(Pick {
            machine: self.machine.clone(),
            cooling: self.cooling.clone(),
            like: self.like.clone(),
            options: FitOptions {
                priors,
                thorough: self.thorough,
            },
        })
    }
}

#[derive(Debug, Args)]
pub(crate) struct FitArgs {
    #[command(flatten)]
    pub(crate) pick: PickArgs,
    /// Use these runs only (names or ids, comma between) and predict the others.
    #[arg(long = "use", value_name = "RUN,…", value_delimiter = ',')]
    pub(crate) use_runs: Vec<String>,
    /// Print the priors with their reasons.
    #[arg(long)]
    pub(crate) priors: bool,
}

#[derive(Debug, Args)]
pub(crate) struct VerifyArgs {
    #[command(flatten)]
    pub(crate) pick: PickArgs,
    /// Run to verify, by name or id; it is taken out of the evidence.
    #[arg(allow_hyphen_values = true)]
    pub(crate) run: String,
    /// Predict from these runs only (names or ids, comma between); from all others on its cooling if
    /// not given.
    #[arg(long = "use", value_name = "RUN,…", value_delimiter = ',')]
    pub(crate) use_runs: Vec<String>,
    /// Smallest difference of temperature that matters, K.
    #[arg(long, value_name = "K", default_value_t = 3.0, value_parser = number(0.1, 50.0), allow_negative_numbers = true)]
    pub(crate) temp_matters: f64,
    /// Smallest difference of watts that matters, percent.
    #[arg(long, value_name = "PCT", default_value_t = 3.0, value_parser = number(0.1, 100.0), allow_negative_numbers = true)]
    pub(crate) power_matters: f64,
    /// Smallest difference of level that matters, dB.
    #[arg(long, value_name = "DB", default_value_t = 2.0, value_parser = number(0.1, 50.0), allow_negative_numbers = true)]
    pub(crate) level_matters: f64,
    /// Smallest difference of work that matters, percent.
    #[arg(long, value_name = "PCT", default_value_t = 2.0, value_parser = number(0.1, 100.0), allow_negative_numbers = true)]
    pub(crate) work_matters: f64,
}

#[derive(Debug, Args)]
pub(crate) struct BeforeAfterArgs {
    /// Notebook.
    pub(crate) notebook: PathBuf,
    /// The cooling before, by name or id.
    #[arg(allow_hyphen_values = true)]
    pub(crate) before: String,
    /// The cooling after.
    #[arg(allow_hyphen_values = true)]
    pub(crate) after: String,
    /// Machine; needed only if several have both coolings.
    #[arg(long)]
    pub(crate) machine: Option<String>,
    /// Smallest change of K/W that matters, percent.
    #[arg(long, value_name = "PCT", default_value_t = 5.0, value_parser = number(0.1, 100.0), allow_negative_numbers = true)]
    pub(crate) smallest: f64,
}

/// Verdicts of `check` that end with exit code 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum DenyVerdict {
    /// Only a failure.
    Fail,
    /// A failure, and what cannot be told.
    CannotTell,
}

#[derive(Debug, Args)]
#[command(
    after_help = "The reference's runs say what a unit of the model does at any setting, in any room, and \
                  how surely. The unit's run, one under load is enough, says how far it lies from that. A \
                  unit passes if the whole 90 % interval of each deviation is within tolerance, fails if \
                  one lies outside, and otherwise the runs do not tell. Being cooler, quieter or faster \
                  is never a fault."
)]
pub(crate) struct CheckArgs {
    /// Notebook.
    pub(crate) notebook: PathBuf,
    /// The reference: a machine by name or id, or a model (with --unit); may be repeated.
    #[arg(
        long,
        value_name = "MACHINE",
        required = true,
        allow_hyphen_values = true
    )]
    pub(crate) against: Vec<String>,
    /// Machine to check; may be repeated. All others of the reference's model if not given.
    #[arg(long, value_name = "MACHINE", allow_hyphen_values = true)]
    pub(crate) unit: Vec<String>,
    /// Cooling, by its name in each machine; the one with most runs if not given.
    #[arg(long)]
    pub(crate) cooling: Option<String>,
    /// Hotter by at most, K.
    #[arg(long, value_name = "K", default_value_t = 5.0, value_parser = number(0.1, 50.0), allow_negative_numbers = true)]
    pub(crate) temp_tolerance: f64,
    /// More or less watts by at most, percent.
    #[arg(long, value_name = "PCT", default_value_t = 5.0, value_parser = number(0.1, 100.0), allow_negative_numbers = true)]
    pub(crate) power_tolerance: f64,
    /// Louder by at most, dB.
    #[arg(long, value_name = "DB", default_value_t = 3.0, value_parser = number(0.1, 50.0), allow_negative_numbers = true)]
    pub(crate) level_tolerance: f64,
    /// Slower by at most, percent.
    #[arg(long, value_name = "PCT", default_value_t = 4.0, value_parser = number(0.1, 100.0), allow_negative_numbers = true)]
    pub(crate) work_tolerance: f64,
    /// More K/W at equal fan speed by at most, percent.
    #[arg(long, value_name = "PCT", default_value_t = 10.0, value_parser = number(0.1, 100.0), allow_negative_numbers = true)]
    pub(crate) resistance_tolerance: f64,
    /// Write the sheet to this file instead, as a page to print if it ends in .html, else as text.
    #[arg(short, long, value_name = "FILE")]
    pub(crate) output: Option<PathBuf>,
    /// Exit with 1 if a unit fails, or if it cannot be told either.
    #[arg(long, value_enum)]
    pub(crate) deny: Option<DenyVerdict>,
}

#[derive(Debug, Args)]
pub(crate) struct PredictArgs {
    #[command(flatten)]
    pub(crate) pick: PickArgs,
    #[command(flatten)]
    pub(crate) limits: LimitArgs,
    /// Use these runs only.
    #[arg(long = "use", value_name = "RUN,…", value_delimiter = ',')]
    pub(crate) use_runs: Vec<String>,
    /// Room temperature, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: f64,
    /// Altitude, m.
    #[arg(long,
        value_name = "M",
        default_value_t = 0.0, value_parser = number(-500.0, 9000.0), allow_negative_numbers = true)]
    pub(crate) altitude: f64,
    /// Workload; needed only if there are several under load.
    #[arg(long)]
    pub(crate) workload: Option<String>,
    /// Length, minutes; the workload's own if not given.
    #[arg(long, value_parser = number(0.01, 1e5), allow_negative_numbers = true)]
    pub(crate) minutes: Option<f64>,
    /// Also give the time course of the best guess.
    #[arg(long)]
    pub(crate) series: bool,
}

#[derive(Debug, Args)]
pub(crate) struct CapacityArgs {
    #[command(flatten)]
    pub(crate) pick: PickArgs,
    /// Package temperature to hold, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 200.0), allow_negative_numbers = true)]
    pub(crate) temp: f64,
    /// Room temperature, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: f64,
    /// Altitude, m.
    #[arg(long,
        value_name = "M",
        default_value_t = 0.0, value_parser = number(-500.0, 9000.0), allow_negative_numbers = true)]
    pub(crate) altitude: f64,
    /// At this fan speed, rpm; full speed if neither is given.
    #[arg(long, value_name = "RPM", conflicts_with = "level", value_parser = number(1.0, 50_000.0), allow_negative_numbers = true)]
    pub(crate) fan_speed: Option<f64>,
    /// At the fan speed that makes this level, dB(A).
    #[arg(long, value_name = "DBA", value_parser = number(-20.0, 140.0), allow_negative_numbers = true)]
    pub(crate) level: Option<f64>,
}

#[derive(Debug, Args)]
pub(crate) struct ChooseArgs {
    #[command(flatten)]
    pub(crate) pick: PickArgs,
    /// Hottest room, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: f64,
    #[command(flatten)]
    pub(crate) noise: NoiseArgs,
    #[command(flatten)]
    pub(crate) bounds: BoundsArgs,
}

/// What a plan may set differently from run to run, beside the sustained power limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum VaryArg {
    /// The temperature limit.
    TempLimit,
    /// A ceiling on the fan's speed.
    Fan,
    /// The workload.
    Workload,
}

/// Kinds of machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum MachineKindArg {
    /// A tower with a large cooler.
    Desktop,
    /// A small case with a flat cooler.
    Small,
    /// A portable.
    Portable,
}

#[derive(Debug, Args)]
pub(crate) struct PlanArgs {
    #[command(flatten)]
    pub(crate) pick: PickArgs,
    /// Runs to plan.
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::builder::RangedU64ValueParser::<usize>::new().range(1..=20))]
    pub(crate) runs: usize,
    /// Hottest room that will be predicted, °C.
    #[arg(long, value_name = "C", default_value_t = 33.0, value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: f64,
    /// Altitude, m.
    #[arg(long,
        value_name = "M",
        default_value_t = 0.0, value_parser = number(-500.0, 9000.0), allow_negative_numbers = true)]
    pub(crate) altitude: f64,
    /// Longest time for all of it, hours: as many of the runs as fit.
    #[arg(long, value_name = "H", value_parser = number(0.1, 1000.0))]
    pub(crate) hours: Option<f64>,
    /// What may be set differently from run to run, beside PL1.
    #[arg(long, value_name = "WHAT,…", value_delimiter = ',', default_values = ["temp-limit", "fan", "workload"])]
    pub(crate) vary: Vec<VaryArg>,
    /// Plan for a choice: highest settled package temperature, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 200.0), allow_negative_numbers = true)]
    pub(crate) temp_max: Option<f64>,
    /// Plan for a choice: highest level, dB(A).
    #[arg(long, value_name = "DBA", value_parser = number(-20.0, 140.0), allow_negative_numbers = true)]
    pub(crate) noise_max: Option<f64>,
    /// Probability with which the choice must keep its bounds.
    #[arg(long, value_name = "P", default_value_t = 0.95, value_parser = number(0.5, 0.999))]
    pub(crate) confidence: f64,
    /// Kind of machine, for a notebook without runs.
    #[arg(long, value_enum)]
    pub(crate) kind: Option<MachineKindArg>,
    /// Power limit that the machine came with, W, for a notebook without runs.
    #[arg(long, value_name = "W", value_parser = number(1.0, 2000.0))]
    pub(crate) stock_watts: Option<f64>,
    /// Write the run sheet to a file: .csv, .html (to print) or .txt; may be given more than once.
    #[arg(short, long, value_name = "FILE")]
    pub(crate) output: Vec<PathBuf>,
}

/// Colours of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ThemeArg {
    /// Dark on light.
    Light,
    /// Light on dark.
    Dark,
}

#[derive(Debug, Args)]
pub(crate) struct ChartArgs {
    #[command(flatten)]
    pub(crate) pick: PickArgs,
    /// Which chart; `--list` names them.
    #[arg(required_unless_present = "list")]
    pub(crate) name: Option<String>,
    /// For the chart `forest`: the base and those to compare with it; all, the first as base, if
    /// not given.
    #[arg(value_name = "BASE OTHER…")]
    pub(crate) sides: Vec<String>,
    /// What the base and the others are (for `forest`).
    #[arg(long, value_enum, default_value = "setting")]
    pub(crate) by: SideArg,
    /// Difference that does not matter to you, percent (for `forest`); the workload's own loss
    /// limit, or 1.
    #[arg(long, value_name = "PCT", value_parser = number(0.01, 50.0), allow_negative_numbers = true)]
    pub(crate) margin: Option<f64>,
    /// List the charts.
    #[arg(long)]
    pub(crate) list: bool,
    /// File to write, ending in .svg or .png.
    #[arg(short, long, value_name = "FILE", required_unless_present = "list")]
    pub(crate) output: Option<PathBuf>,
    /// Width and height, px.
    #[arg(long, value_name = "WxH", default_value = "1920x1080", value_parser = size)]
    pub(crate) size: (u32, u32),
    /// Colours.
    #[arg(long, value_enum, default_value = "light")]
    pub(crate) theme: ThemeArg,
    /// In an SVG, draw text as paths: the same on any machine, but no longer text.
    #[arg(long)]
    pub(crate) text_as_paths: bool,
    /// Run (for the chart of a run); the last logged one if not given.
    #[arg(long)]
    pub(crate) run: Option<String>,
    /// Workload; the one with most runs if not given.
    #[arg(long)]
    pub(crate) workload: Option<String>,
    /// Room, °C.
    #[arg(long, value_name = "C", default_value_t = 25.0, value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: f64,
    /// Altitude, m.
    #[arg(long, value_name = "M", default_value_t = 0.0, value_parser = number(-500.0, 9000.0), allow_negative_numbers = true)]
    pub(crate) altitude: f64,
    /// Highest settled package temperature, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 200.0), allow_negative_numbers = true)]
    pub(crate) temp_max: Option<f64>,
    /// Highest level, dB(A).
    #[arg(long, value_name = "DBA", value_parser = number(-20.0, 140.0), allow_negative_numbers = true)]
    pub(crate) noise_max: Option<f64>,
    /// Largest loss of work against the fastest setting, percent.
    #[arg(long, value_name = "PCT", default_value_t = 15.0, value_parser = number(0.0, 100.0), allow_negative_numbers = true)]
    pub(crate) loss_max: f64,
}

/// Reads "1920x1080".
fn size(text: &str) -> Result<(u32, u32), String> {
    text.split_once(['x', 'X', '×'])
        .and_then(|(w, h)| Some((w.trim().parse().ok()?, h.trim().parse().ok()?)))
        .filter(|(w, h)| (640..=16_384).contains(w) && (400..=16_384).contains(h))
        .ok_or_else(|| {
            "give width x height in px, for instance 1920x1080, from 640x400 on".to_owned()
        })
}

/// Sections of a report that may be left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum SectionArg {
    /// The answer in a few numbers.
    Summary,
    /// What was measured, and under which conditions.
    Conditions,
    /// How.
    Method,
    /// Every run, in tables and charts.
    Runs,
    /// What the review found.
    Findings,
    /// What the models learned.
    Models,
    /// Runs predicted from the others.
    HeldOut,
    /// The setting to use and its reasons.
    Choice,
    /// Settings compared by their scores.
    Comparisons,
    /// What is not known.
    Unknown,
}

#[derive(Debug, Args)]
pub(crate) struct ReportArgs {
    #[command(flatten)]
    pub(crate) pick: PickArgs,
    /// File to write, ending in .html or .md; Markdown has its charts in a folder beside it.
    #[arg(short, long, value_name = "FILE")]
    pub(crate) output: PathBuf,
    /// Write Markdown whatever the file's name ends in.
    #[arg(long)]
    pub(crate) md: bool,
    /// Leave out sections, with commas between. Cautions and origin always stay.
    #[arg(long, value_enum, value_name = "SECTION,…", value_delimiter = ',')]
    pub(crate) without: Vec<SectionArg>,
    /// Leave out all that you typed: names (things are called by letters and numbers), models, notes,
    /// reasons, names of files and columns, unusual units; and the days of the logs.
    #[arg(long)]
    pub(crate) anonymous: bool,
    /// Workload that the charts show; the one with most runs if not given.
    #[arg(long)]
    pub(crate) workload: Option<String>,
    /// Hottest room, °C; the warmest in which a run was made if not given.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: Option<f64>,
    #[command(flatten)]
    pub(crate) bounds: BoundsArgs,
}

/// Further bounds on noise; of several the lowest counts.
#[derive(Debug, Args)]
pub(crate) struct NoiseArgs {
    /// Highest level of idle workloads, dB(A), where it is to be lower than under load.
    #[arg(long, value_name = "DBA", value_parser = number(-20.0, 140.0), allow_negative_numbers = true)]
    pub(crate) noise_max_idle: Option<f64>,
    /// Highest loudness, sone: an estimate, the level taken as loudness level.
    #[arg(long, value_name = "SONE", value_parser = number(0.001, 500.0), allow_negative_numbers = true)]
    pub(crate) sone_max: Option<f64>,
    /// The same for idle workloads.
    #[arg(long, value_name = "SONE", value_parser = number(0.001, 500.0), allow_negative_numbers = true)]
    pub(crate) sone_max_idle: Option<f64>,
    /// By how much fans and background together may be above the background noted with the runs, dB.
    #[arg(long, value_name = "DB", value_parser = number(0.01, 60.0), allow_negative_numbers = true)]
    pub(crate) above_background: Option<f64>,
    /// The same for idle workloads.
    #[arg(long, value_name = "DB", value_parser = number(0.01, 60.0), allow_negative_numbers = true)]
    pub(crate) above_background_idle: Option<f64>,
}

/// Bounds of a choice beside its room.
#[derive(Debug, Args)]
pub(crate) struct BoundsArgs {
    /// Altitude, m.
    #[arg(long,
        value_name = "M",
        default_value_t = 0.0, value_parser = number(-500.0, 9000.0), allow_negative_numbers = true)]
    pub(crate) altitude: f64,
    /// Highest settled package temperature, °C.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 200.0), allow_negative_numbers = true)]
    pub(crate) temp_max: Option<f64>,
    /// Probability with which temperature and noise must keep their bounds.
    #[arg(long, value_name = "P", default_value_t = 0.95, value_parser = number(0.5, 0.999), allow_negative_numbers = true)]
    pub(crate) confidence: f64,
    /// Highest level, dB(A).
    #[arg(long, value_name = "DBA", value_parser = number(-20.0, 140.0), allow_negative_numbers = true)]
    pub(crate) noise_max: Option<f64>,
    /// Largest loss of work against the fastest setting, percent.
    #[arg(long, value_name = "PCT", default_value_t = 3.0, value_parser = number(0.0, 100.0), allow_negative_numbers = true)]
    pub(crate) loss_max: f64,
    /// Highest power at the wall, W.
    #[arg(long, value_name = "W", value_parser = number(1.0, 10_000.0), allow_negative_numbers = true)]
    pub(crate) wall_max: Option<f64>,
    /// What the rest of the machine draws under load, W (with --wall-max).
    #[arg(long, value_name = "W", default_value_t = 60.0, value_parser = number(0.0, 5000.0), allow_negative_numbers = true)]
    pub(crate) rest: f64,
    /// Efficiency of the power supply, 0 to 1 (with --wall-max).
    #[arg(long, value_name = "SHARE", default_value_t = 0.88, value_parser = number(0.3, 1.0), allow_negative_numbers = true)]
    pub(crate) supply_efficiency: f64,
}

/// Forms of an export.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum ExportForm {
    /// One CSV a table and one a log.
    Csv,
    /// One JSON file.
    Json,
}

#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// Notebook.
    pub(crate) notebook: PathBuf,
    /// Folder to make.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) to: PathBuf,
    /// Form.
    #[arg(long = "as", value_enum, default_value = "csv")]
    pub(crate) form: ExportForm,
}

/// What is set against each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum SideArg {
    /// Settings.
    Setting,
    /// Coolings.
    Cooling,
    /// Tunes.
    Tune,
    /// Single runs.
    Run,
}

/// How frame times are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum FrameUnitArg {
    /// Milliseconds a frame.
    Ms,
    /// Microseconds a frame.
    Us,
    /// Seconds a frame.
    S,
    /// Time stamp of each frame, seconds (or a date with its time).
    Stamps,
    /// Time stamp of each frame, milliseconds.
    StampsMs,
    /// Time stamp of each frame, microseconds.
    StampsUs,
}

#[derive(Debug, Args)]
pub(crate) struct CompareArgs {
    /// Notebook, then the setting that is the base and those to compare with it; with --table only
    /// the settings. Without names the first is the base.
    #[arg(value_name = "NOTEBOOK BASE OTHER…")]
    pub(crate) names: Vec<String>,
    /// Table of scores instead of a notebook: `setting,workload,score` rows, one column a setting,
    /// or one row a setting with numbered repetitions; `-` for standard input.
    #[arg(long, value_name = "FILE")]
    pub(crate) table: Option<PathBuf>,
    /// Log of frame times, one row a frame; the first name is the base, and a name given again is
    /// another recording.
    #[arg(long, value_name = "NAME=FILE", conflicts_with = "table")]
    pub(crate) frames: Vec<String>,
    /// Unit of the frame times; read from the header, or guessed and said, if not given.
    #[arg(long, value_enum)]
    pub(crate) frame_unit: Option<FrameUnitArg>,
    /// Column of the frame times, by name or 1-based number.
    #[arg(long, value_name = "COLUMN")]
    pub(crate) frame_column: Option<String>,
    /// Also count frames longer than this, ms.
    #[arg(long, value_name = "MS", value_parser = number(0.001, 1e6), allow_negative_numbers = true)]
    pub(crate) long_frame: Option<f64>,
    /// Difference that does not matter to you, percent; the workload's own loss limit, or 1.
    #[arg(long, value_name = "PCT", value_parser = number(0.01, 50.0), allow_negative_numbers = true)]
    pub(crate) margin: Option<f64>,
    /// The same for sound levels, dB.
    #[arg(long, value_name = "DB", default_value_t = 1.0, value_parser = number(0.01, 50.0), allow_negative_numbers = true)]
    pub(crate) margin_db: f64,
    /// Weight of a workload in the whole.
    #[arg(long, value_name = "WORKLOAD=WEIGHT")]
    pub(crate) weight: Vec<String>,
    /// Only this workload; may be repeated.
    #[arg(long, value_name = "NAME")]
    pub(crate) workload: Vec<String>,
    /// Less is better, where the table does not say.
    #[arg(long)]
    pub(crate) lower_is_better: bool,
    /// Do not pair by rounds (blocks, or the rows of a table with one column a setting).
    #[arg(long)]
    pub(crate) independent: bool,
    /// Compare every pair, not only with the base.
    #[arg(long)]
    pub(crate) all_pairs: bool,
    /// What is set against each other in a notebook.
    #[arg(long, value_enum, default_value = "setting")]
    pub(crate) by: SideArg,
}

#[derive(Debug, Args)]
pub(crate) struct ReviewArgs {
    /// Notebook or log; `-` for a log on standard input.
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) read: ReadArgs,
    /// Room temperature of a log, °C, where it has none.
    #[arg(long, value_name = "C", value_parser = number(-60.0, 80.0), allow_negative_numbers = true)]
    pub(crate) room: Option<f64>,
    /// Exit with 1 if there is a finding at least this bad.
    #[arg(long, value_name = "note|warning|error")]
    pub(crate) deny: Option<String>,
}

/// What runs are ordered by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum SortArg {
    /// Most work first, workload by workload.
    Work,
    /// Coolest first.
    Plateau,
    /// Most kelvin to the temperature limit first.
    Margin,
    /// Least power first.
    Power,
    /// Quietest first.
    Level,
    /// Least energy per unit of work first.
    Energy,
    /// Most gain per watt first.
    Gain,
    /// By name.
    Run,
}

/// Forms of a printed table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum TableForm {
    /// Aligned columns.
    Text,
    /// A Markdown table.
    Markdown,
    /// Comma-separated, full precision.
    Csv,
}

#[derive(Debug, Args)]
pub(crate) struct RankArgs {
    /// Notebook.
    pub(crate) notebook: PathBuf,
    /// Order.
    #[arg(long, value_enum, default_value = "work")]
    pub(crate) sort: SortArg,
    /// Form.
    #[arg(long = "as", value_enum, default_value = "text")]
    pub(crate) form: TableForm,
    /// Price of a kilowatt-hour, for the cost a year.
    #[arg(long, value_name = "PRICE", value_parser = number(0.0, 100.0), allow_negative_numbers = true)]
    pub(crate) tariff: Option<f64>,
    /// Hours a week for the cost; the workload's own if not given.
    #[arg(long, value_name = "H", value_parser = number(0.0, 168.0), allow_negative_numbers = true)]
    pub(crate) hours: Option<f64>,
    /// Efficiency of the power supply: a share, or a table of output in W and efficiency.
    #[arg(long, value_name = "SHARE|FILE")]
    pub(crate) supply: Option<String>,
    /// What the rest of the machine draws, W (with --supply).
    #[arg(long, value_name = "W", default_value_t = 0.0, value_parser = number(0.0, 5000.0), allow_negative_numbers = true)]
    pub(crate) rest: f64,
}
