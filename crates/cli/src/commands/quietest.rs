//! `quietest`: several fans, one temperature, the least sound.

use std::path::Path;

use serde_json::{Value, json};
use settlepoint_sound::SoundError;
use settlepoint_sound::quietest::{Fan, Machine, Quietest, Stage, Wanted};
use settlepoint_sound::sources::{Source, USUAL_SLOPE_DB_PER_DECADE, Whole, together};
use toml::{Table, Value as Toml};

use crate::args::QuietestArgs;
use crate::error::{Code, Failure, with_path};
use crate::view::{Answer, cell, fixed, number, optional, signed, table};

/// A description to fill in. The machine is invented.
const TEMPLATE: &str = "\
# A machine with several fans, for 'settlepoint quietest'. Lines with # are skipped.
# The invented example: the workstation of an attic recording studio.

power_w = 130            # power of the part that is to be kept cool
room_c = 34              # hottest room
temp_max_c = 85          # keep a few kelvin in hand: these are plain values, not estimates
fixed_k_per_w = 0.14     # what no fan changes: die, paste, base of the cooler
background_dba = 22      # the room with the machine off, where you sit; leave out if not known

# What the heat passes on its way to the room, in series.
[[stage]]
name = \"cooler\"
natural_w_per_k = 0.8    # conductance with all fans of the stage stopped: 1 / (K/W)

[[stage]]
name = \"case\"
natural_w_per_k = 4.0
extra_w = 60             # heat of other parts that leaves through it, too

[[fan]]
name = \"tower\"
stage = \"cooler\"
full_speed_rpm = 1500
min_speed_rpm = 400
may_stop = false
conductance_w_per_k = 8.0   # what it adds to its stage at full speed
exponent = 0.5              # how that goes with speed; 0.5 if not known
level_dba = 36.0            # alone at full speed, where you sit, background taken out
slope_db_per_decade = 55    # how that goes with speed; 55 if not known
avoid_rpm = [[880, 930]]    # where it rings, from 'settlepoint sound --sweep'

[[fan]]
name = \"front\"
stage = \"case\"
full_speed_rpm = 1200
min_speed_rpm = 300
may_stop = true
conductance_w_per_k = 9.0
level_dba = 31.0

[[fan]]
name = \"rear\"
stage = \"case\"
full_speed_rpm = 1400
min_speed_rpm = 350
may_stop = true
conductance_w_per_k = 7.0
level_dba = 34.0
";

/// Exponent of conductance against speed where none is given: the middle of what handbooks have for forced
/// flow over plates and in ducts, 0.33 to 0.8 (VDI Heat Atlas, from memory).
const USUAL_EXPONENT: f64 = 0.5;
/// Temperatures beside the one asked for that are worked out, too, K.
const BESIDE_K: [f64; 4] = [-4.0, -2.0, 2.0, 4.0];
/// Shares of the power at which the speeds are worked out.
const POWER_SHARES: [f64; 4] = [0.25, 0.5, 0.75, 1.0];

/// `settlepoint quietest`.
pub(crate) fn quietest(args: &QuietestArgs) -> Result<Answer, Failure> {
    let path = match &args.machine {
        Some(path) if !args.template => path,
        _ => {
            return Ok(Answer::new(
                json!({ "schema": "settlepoint.quietest/1", "template": TEMPLATE }),
                TEMPLATE,
            ));
        }
    };
    let text = std::fs::read_to_string(path).map_err(|e| with_path(path, "read", &e))?;
    let (machine, asked) =
        read(&text).map_err(|e| Failure::data(format!("{}: {e}", path.display())))?;
    let wanted = Wanted {
        power_w: args.power.unwrap_or(asked.power_w),
        room_c: args.room.unwrap_or(asked.room_c),
        temp_max_c: args.temp_max.unwrap_or(asked.temp_max_c),
    };
    let solve = |wanted: Wanted| machine.quietest(wanted).map_err(|e| wrong(path, &e));
    let best = solve(wanted)?;
    let mut beside = Vec::new();
    for k in BESIDE_K {
        beside.push(solve(Wanted {
            temp_max_c: wanted.temp_max_c + k,
            ..wanted
        })?);
    }
    let mut curve = Vec::new();
    for share in POWER_SHARES {
        let power_w = share * wanted.power_w;
        curve.push((power_w, solve(Wanted { power_w, ..wanted })?));
    }
    let parts = contributions(&machine, &best);
    let answer = Solved {
        machine,
        wanted,
        best,
        beside,
        curve,
        parts,
    };
    Ok(Answer::new(answer.json(), answer.text()))
}

fn wrong(path: &Path, error: &SoundError) -> Failure {
    Failure::new(Code::Data, format!("{}: {error}", path.display()))
}

/// What each turning fan adds.
fn contributions(machine: &Machine, best: &Quietest) -> Whole {
    let sources: Vec<Source> = machine
        .fans
        .iter()
        .zip(&best.levels_db)
        .filter(|(_, level)| level.is_finite())
        .map(|(fan, &level_db)| Source {
            name: fan.name.clone(),
            level_db,
            slope_db_per_decade: Some(fan.slope_db_per_decade),
        })
        .collect();
    together(&sources, None)
}

struct Solved {
    machine: Machine,
    wanted: Wanted,
    best: Quietest,
    beside: Vec<Quietest>,
    curve: Vec<(f64, Quietest)>,
    parts: Whole,
}

impl Solved {
    fn json(&self) -> Value {
        json!({
            "schema": "settlepoint.quietest/1",
            "power_w": number(self.wanted.power_w),
            "room_c": number(self.wanted.room_c),
            "temp_max_c": number(self.wanted.temp_max_c),
            "held": self.best.held,
            "package_c": number(self.best.temp_c),
            "level_dba": number(self.best.level_db),
            "kelvin_per_db": optional(self.best.kelvin_per_db),
            "fans": self.fans_json(&self.best),
            "contributions": self.parts.parts.iter().map(|p| json!({
                "fan": p.name,
                "level_dba": number(p.level_db),
                "share": number(p.share),
                "ten_percent_slower_db": number(p.slower_db),
            })).collect::<Vec<_>>(),
            "beside": self.beside.iter().zip(BESIDE_K).map(|(q, k)| json!({
                "temp_max_c": number(self.wanted.temp_max_c + k),
                "held": q.held,
                "level_dba": number(q.level_db),
                "fans": self.fans_json(q),
            })).collect::<Vec<_>>(),
            "by_power": self.curve.iter().map(|(power_w, q)| json!({
                "power_w": number(*power_w),
                "held": q.held,
                "package_c": number(q.temp_c),
                "level_dba": number(q.level_db),
                "fans": self.fans_json(q),
            })).collect::<Vec<_>>(),
        })
    }

    fn fans_json(&self, q: &Quietest) -> Value {
        self.machine
            .fans
            .iter()
            .zip(q.speeds_rpm.iter().zip(&q.levels_db))
            .map(|(fan, (&rpm, &level_db))| {
                json!({
                    "fan": fan.name,
                    "speed_rpm": number(rpm),
                    "level_dba": number(level_db),
                })
            })
            .collect()
    }

    fn text(&self) -> String {
        let mut out = self.verdict();
        out += "\n";
        out += &self.fan_table();
        if let Some(kelvin) = self.best.kelvin_per_db {
            out += &format!("\nhere one decibel more would buy {} K\n", fixed(kelvin, 1));
        }
        out += "\nand for other temperatures and powers:\n";
        out += &self.other_table();
        out += "\nConfirm the speeds with one run: these are worked out from the values given. Makers' limits \
                and instructions come first.\n";
        out
    }

    fn verdict(&self) -> String {
        let w = self.wanted;
        let power = fixed(w.power_w, 0);
        let (room, bound) = (fixed(w.room_c, 0), fixed(w.temp_max_c, 0));
        let temp = fixed(self.best.temp_c, 1);
        let level = level_words(self.best.level_db);
        if self.best.held {
            format!(
                "{power} W in a {room} °C room settle at {temp} °C (asked: {bound} °C at most) at {level}\n"
            )
        } else {
            format!(
                "{power} W in a {room} °C room cannot be held at {bound} °C: with every fan at its fastest it \
                 is {temp} °C at {level}; lower the power, or cool better\n"
            )
        }
    }

    fn fan_table(&self) -> String {
        let fans = self.machine.fans.iter().enumerate();
        let rows: Vec<Vec<String>> = fans
            .map(|(i, fan)| {
                let part = self.parts.parts.iter().find(|p| p.name == fan.name);
                vec![
                    fan.name.clone(),
                    fixed(self.best.speeds_rpm[i], 0),
                    fixed(100.0 * self.best.speeds_rpm[i] / fan.full_speed_rpm, 0),
                    fixed(self.best.levels_db[i], 1),
                    cell(part.map(|p| 100.0 * p.share), 0),
                    part.map_or_else(|| "-".to_owned(), |p| signed(-p.slower_db, 1)),
                ]
            })
            .collect();
        let header = [
            "fan",
            "rpm",
            "% of full",
            "dB(A)",
            "% of sound",
            "10 % slower dB",
        ];
        table(&header, &rows)
    }

    fn other_table(&self) -> String {
        let w = self.wanted;
        let beside = self.beside.iter().zip(BESIDE_K);
        let mut rows: Vec<(f64, f64, &Quietest)> = beside
            .map(|(q, k)| (w.power_w, w.temp_max_c + k, q))
            .collect();
        rows.extend(self.curve.iter().map(|(p, q)| (*p, w.temp_max_c, q)));
        let mut header = vec!["W", "at most °C", "°C", "dB(A)"];
        header.extend(self.machine.fans.iter().map(|f| f.name.as_str()));
        header.push("");
        let cells: Vec<Vec<String>> = rows
            .into_iter()
            .map(|(power_w, bound_c, q)| {
                let mut row = vec![
                    fixed(power_w, 0),
                    fixed(bound_c, 0),
                    fixed(q.temp_c, 1),
                    fixed(q.level_db, 1),
                ];
                row.extend(q.speeds_rpm.iter().map(|n| fixed(*n, 0)));
                row.push(if q.held { "" } else { "not held" }.to_owned());
                row
            })
            .collect();
        table(&header, &cells)
    }
}

fn level_words(level_db: f64) -> String {
    if level_db.is_finite() {
        format!("{} dB(A)", fixed(level_db, 1))
    } else {
        "no sound, all fans stopped".to_owned()
    }
}

/// A table whose keys are taken out one by one, so that a misspelt one is left over.
struct Keys {
    table: Table,
    /// Where it stands, for messages.
    place: String,
}

impl Keys {
    fn optional(&mut self, key: &str) -> Result<Option<f64>, String> {
        match self.table.remove(key) {
            None => Ok(None),
            Some(value) => as_number(&value)
                .map(Some)
                .ok_or_else(|| format!("{}{key} = {value}: expected a number", self.place)),
        }
    }

    fn number(&mut self, key: &str) -> Result<f64, String> {
        self.optional(key)?.ok_or_else(|| {
            format!(
                "{}{key} is missing; see 'settlepoint quietest --template'",
                self.place
            )
        })
    }

    fn text(&mut self, key: &str) -> Result<String, String> {
        match self.table.remove(key) {
            Some(Toml::String(text)) => Ok(text),
            Some(other) => Err(format!(
                "{}{key} = {other}: expected a text in quotes",
                self.place
            )),
            None => Err(format!("{}{key} is missing", self.place)),
        }
    }

    fn flag(&mut self, key: &str) -> Result<bool, String> {
        match self.table.remove(key) {
            None => Ok(false),
            Some(Toml::Boolean(yes)) => Ok(yes),
            Some(other) => Err(format!(
                "{}{key} = {other}: expected true or false",
                self.place
            )),
        }
    }

    fn pairs(&mut self, key: &str) -> Result<Vec<(f64, f64)>, String> {
        let wrong = || format!("{}{key}: expected pairs like [[880, 930]]", self.place);
        let list = match self.table.remove(key) {
            None => return Ok(Vec::new()),
            Some(Toml::Array(list)) => list,
            Some(_) => return Err(wrong()),
        };
        list.iter()
            .map(|pair| match pair.as_array().map(Vec::as_slice) {
                Some([a, b]) => as_number(a).zip(as_number(b)).ok_or_else(wrong),
                _ => Err(wrong()),
            })
            .collect()
    }

    /// The tables under a key, each with its place in words.
    fn tables(&mut self, key: &str) -> Result<Vec<Self>, String> {
        let wrong =
            || format!("expected at least one [[{key}]]; see 'settlepoint quietest --template'");
        let Some(Toml::Array(list)) = self.table.remove(key) else {
            return Err(wrong());
        };
        list.into_iter()
            .enumerate()
            .map(|(i, value)| match value {
                Toml::Table(table) => Ok(Self {
                    table,
                    place: format!("{key} {}: ", i + 1),
                }),
                _ => Err(wrong()),
            })
            .collect()
    }

    fn done(self) -> Result<(), String> {
        match self.table.keys().next() {
            None => Ok(()),
            Some(key) => Err(format!(
                "{}{key} is not known here; check its spelling against 'settlepoint quietest --template'",
                self.place
            )),
        }
    }
}

fn as_number(value: &Toml) -> Option<f64> {
    match value {
        Toml::Float(x) => Some(*x).filter(|x| x.is_finite()),
        #[expect(clippy::cast_precision_loss, reason = "typed by hand, far below 2^53")]
        Toml::Integer(n) => Some(*n as f64),
        _ => None,
    }
}

fn read(text: &str) -> Result<(Machine, Wanted), String> {
    let table: Table = text.parse().map_err(|e: toml::de::Error| {
        // The first line says where; the rest repeats the file.
        e.to_string().trim_end().to_owned()
    })?;
    let mut top = Keys {
        table,
        place: String::new(),
    };
    let wanted = Wanted {
        power_w: top.number("power_w")?,
        room_c: top.number("room_c")?,
        temp_max_c: top.number("temp_max_c")?,
    };
    let mut machine = Machine {
        fixed_k_per_w: top.optional("fixed_k_per_w")?.unwrap_or(0.0),
        background_db: top.optional("background_dba")?,
        stages: Vec::new(),
        fans: Vec::new(),
    };
    for mut keys in top.tables("stage")? {
        machine.stages.push(Stage {
            name: keys.text("name")?,
            natural_w_per_k: keys.number("natural_w_per_k")?,
            extra_w: keys.optional("extra_w")?.unwrap_or(0.0),
        });
        keys.done()?;
    }
    for mut keys in top.tables("fan")? {
        let fan = read_fan(&mut keys, &machine.stages)?;
        keys.done()?;
        machine.fans.push(fan);
    }
    top.done()?;
    Ok((machine, wanted))
}

fn read_fan(keys: &mut Keys, stages: &[Stage]) -> Result<Fan, String> {
    let name = keys.text("name")?;
    let stage = keys.text("stage")?;
    let place = stages.iter().position(|s| s.name == stage).ok_or_else(|| {
        let names: Vec<&str> = stages.iter().map(|s| s.name.as_str()).collect();
        format!(
            "fan '{name}': there is no stage '{stage}'; there are {}",
            names.join(", ")
        )
    })?;
    Ok(Fan {
        name,
        stage: place,
        full_speed_rpm: keys.number("full_speed_rpm")?,
        min_speed_rpm: keys.number("min_speed_rpm")?,
        may_stop: keys.flag("may_stop")?,
        conductance_w_per_k: keys.number("conductance_w_per_k")?,
        exponent: keys.optional("exponent")?.unwrap_or(USUAL_EXPONENT),
        full_speed_db: keys.number("level_dba")?,
        slope_db_per_decade: keys
            .optional("slope_db_per_decade")?
            .unwrap_or(USUAL_SLOPE_DB_PER_DECADE),
        avoid_rpm: keys.pairs("avoid_rpm")?,
    })
}
