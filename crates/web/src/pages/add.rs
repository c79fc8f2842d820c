//! Adding: a dropped log, averages typed by hand, scores.

use axum::response::Response;
use maud::{Markup, html};
use settlepoint_domain::{PhaseKind, PhaseReading, Run, Workload};
use settlepoint_views::adding::{TypedRun, scores_of, typed_runs};

use super::go_to;
use super::runs::run_id;
use crate::error::PageError;
use crate::field::{Fields, Problem, Reader as FieldReader};
use crate::html::{self, Input, Page, Reader, section, select, token};
use crate::number::Degrees;
use crate::state::State;

/// Rows of the form of averages.
const ROWS: usize = 4;
/// Scores above 0, as everywhere.
pub(crate) const SCORES: std::ops::RangeInclusive<f64> = 1e-12..=1e15;

/// What the notebook has, for lists of suggestions.
pub(crate) struct Known {
    machines: Vec<String>,
    coolings: Vec<String>,
    tunes: Vec<String>,
    pub(crate) workloads: Vec<Workload>,
    settings: Vec<String>,
    runs: Vec<Run>,
}

impl Known {
    pub(crate) fn of(state: &State) -> Result<Self, PageError> {
        state.with(|book| {
            Ok(Self {
                machines: book.machines()?.into_iter().map(|m| m.name).collect(),
                coolings: book.coolings()?.into_iter().map(|c| c.name).collect(),
                tunes: book.tunes()?.into_iter().map(|t| t.name).collect(),
                workloads: book.workloads()?,
                settings: book.settings()?.into_iter().map(|s| s.name).collect(),
                runs: book.runs()?,
            })
        })
    }

    /// Suggestions for the fields that name things.
    pub(crate) fn lists(&self) -> Markup {
        let workloads: Vec<String> = self.workloads.iter().map(|w| w.name.clone()).collect();
        let lists = [
            ("machines", &self.machines),
            ("coolings", &self.coolings),
            ("tunes", &self.tunes),
            ("workloads", &workloads),
            ("settings", &self.settings),
        ];
        html! {
            @for (id, names) in lists {
                datalist id=(id) { @for name in names { option value=(name) {} } }
            }
        }
    }

    fn first(list: &[String]) -> &str {
        match list {
            [only] => only,
            _ => "",
        }
    }
}

pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    page(state, reader, fields, &[], axum::http::StatusCode::OK)
}

fn page(
    state: &State,
    reader: &Reader,
    fields: &Fields,
    problems: &[Problem],
    status: axum::http::StatusCode,
) -> Result<Response, PageError> {
    let known = Known::of(state)?;
    let body = html! {
        (known.lists())
        (section("log", "A sensor log", "Delimited text of nearly any shape. It is read here and shown before anything is kept.", drop_form(state)))
        (section("typed", "Averages by hand", "One row a phase, in time order, over the whole phase with its warm-up. Leave blank what was not noted.", html! {
            (html::problems(problems))
            (typed_form(state, reader.degrees, fields, &known, problems))
        }))
        (section("scores", "Scores", "Further scores of a run that is here. Repetitions tell a difference from chance.", scores_form(state, &known)))
    };
    Ok(Page {
        state,
        reader,
        title: "Add".into(),
        place: "/add",
        body,
    }
    .with_status(status))
}

fn drop_form(state: &State) -> Markup {
    let most = state.config.upload_bytes >> 20;
    html! {
        form .drop method="post" action="/add/log" enctype="multipart/form-data" data-drop="" {
            (token(state))
            div .field {
                label for="f-file" { "Log file" }
                input id="f-file" type="file" name="file" required accept=".csv,.txt,.tsv,.log,text/*" aria-describedby="a-file";
                p .hint id="a-file" { "Up to " (most) " MiB. " span .with-script { "Or drop it here." } }
            }
            button .main type="submit" data-busy="Reading …" { "Read it" }
        }
    }
}

/// A field that names something of the notebook.
pub(crate) fn name_field(
    name: &str,
    label: &str,
    list: &str,
    value: &str,
    hint: &str,
    problems: &[Problem],
) -> Markup {
    let (id, about) = (format!("f-{name}"), format!("a-{name}"));
    let problem = problems.iter().find(|p| p.field == name);
    html! {
        div .field {
            label for=(id) { (label) }
            input id=(id) name=(name) value=(value) list=[(!list.is_empty()).then_some(list)] maxlength="120" autocomplete="off"
                aria-invalid=[problem.map(|_| "true")] aria-describedby=(about);
            p .hint id=(about) {
                @if let Some(p) = problem { strong .problem { (html::sentence(&p.message)) } " " }
                (hint)
            }
        }
    }
}

/// The setting's fields, shared by logs and averages.
pub(crate) fn setting_fields(fields: &Fields, degrees: Degrees, problems: &[Problem]) -> Markup {
    let limit = format!("limit_{}", degrees.suffix());
    let room = format!("room_{}", degrees.suffix());
    let inputs = [
        ("pl1_w", "PL1", "W"),
        ("pl2_w", "PL2", "W"),
        ("tau_s", "tau", "s"),
        (limit.as_str(), "Temperature limit", degrees.unit()),
        (room.as_str(), "Room", degrees.unit()),
        ("score", "Score", ""),
    ];
    html! {
        @for (name, label, unit) in inputs {
            (Input { name, label, unit, value: fields.raw(name), hint: if name == "room_c" || name == "room_f" { "air at the intake" } else { "" }, ..Input::default() }.show(problems))
        }
    }
}

fn typed_form(
    state: &State,
    degrees: Degrees,
    fields: &Fields,
    known: &Known,
    problems: &[Problem],
) -> Markup {
    let or = |name: &str, usual: &str| match fields.raw(name) {
        "" => usual.to_owned(),
        own => own.to_owned(),
    };
    let next = format!("run {}", known.runs.len() + 1);
    html! {
        form method="post" action="/add/run" {
            (token(state))
            div .fields {
                (name_field("run", "Run", "", &or("run", &next), "", problems))
                (name_field("machine", "Machine", "machines", &or("machine", Known::first(&known.machines)), "", problems))
                (name_field("cooling", "Cooling", "coolings", &or("cooling", Known::first(&known.coolings)), "cooler, fans, paste, positions", problems))
                (name_field("workload", "Workload", "workloads", fields.raw("workload"), "the job that was run", problems))
                (setting_fields(fields, degrees, problems))
            }
            (phase_rows(degrees, fields, problems))
            details {
                summary { "More: tune, name of the setting, background" }
                div .fields {
                    (name_field("tune", "Tune", "tunes", fields.raw("tune"), "what changes work or heat at equal limits", problems))
                    (name_field("setting", "Setting", "settings", fields.raw("setting"), "named by its limits if blank", problems))
                    (Input { name: "background_dba", label: "Background", unit: "dB(A)", value: fields.raw("background_dba"), hint: "level with the machine off", ..Input::default() }.show(problems))
                }
            }
            button .main type="submit" { "Add the run" }
        }
    }
}

/// Names of the cells of a row, with their headings.
fn cells(degrees: Degrees) -> [(String, String); 6] {
    [
        ("duration_s".to_owned(), "length, s".to_owned()),
        ("power_w".into(), "power, W".into()),
        (
            format!("package_{}", degrees.suffix()),
            format!("package, {}", degrees.unit()),
        ),
        ("fan_speed_rpm".into(), "fan, rpm".into()),
        ("level_dba".into(), "level, dB(A)".into()),
        ("clock_mhz".into(), "clock, MHz".into()),
    ]
}

fn phase_rows(degrees: Degrees, fields: &Fields, problems: &[Problem]) -> Markup {
    let usual = ["boost", "sustained", "", ""];
    html! {
        div .scroll { table .rows {
            caption .unseen { "Averages, one row a phase" }
            thead { tr { th scope="col" { "phase" } @for (_, heading) in cells(degrees) { th scope="col" { (heading) } } } }
            tbody { @for row in 1..=ROWS {
                @let name = format!("phase_{row}");
                @let chosen = if fields.0.is_empty() { usual[row - 1] } else { fields.raw(&name) };
                tr {
                    td { select name=(name) aria-label={ "phase of row " (row) } {
                        option value="" { "–" }
                        @for kind in PhaseKind::ALL { option value=(kind.token()) selected[kind.token() == chosen] { (super::words::phase(kind)) } }
                    } }
                    @for (stem, heading) in cells(degrees) {
                        @let cell = format!("{stem}_{row}");
                        @let problem = problems.iter().find(|p| p.field == cell);
                        td { input id={ "f-" (cell) } name=(cell) value=(fields.raw(&cell)) inputmode="decimal" autocomplete="off" aria-label={ (heading) ", row " (row) } aria-invalid=[problem.map(|_| "true")]; }
                    }
                }
            } }
        } }
    }
}

/// Reads the rows; a row without a number is blank.
fn read_rows(read: &mut FieldReader<'_>, fields: &Fields, degrees: Degrees) -> Vec<PhaseReading> {
    let mut rows = Vec::new();
    let background = read.number("background_dba", -20.0..=140.0);
    for row in 1..=ROWS {
        let name = |stem: &str| format!("{stem}_{row}");
        let kind = fields.text(&name("phase"));
        let own = PhaseReading {
            duration_s: read.number(&name("duration_s"), 0.1..=1e7),
            power_w: read.number(&name("power_w"), 0.0..=5000.0),
            package_c: package(read, row, degrees),
            fan_speed_rpm: read.number(&name("fan_speed_rpm"), 0.0..=50_000.0),
            level_dba: read.number(&name("level_dba"), -20.0..=140.0),
            clock_mhz: [read.number(&name("clock_mhz"), 0.0..=20_000.0), None],
            background_dba: None,
            ..PhaseReading::blank(
                kind.and_then(|k| k.parse().ok())
                    .unwrap_or(PhaseKind::Unknown),
            )
        };
        if own != PhaseReading::blank(own.phase) {
            rows.push(PhaseReading {
                background_dba: background,
                ..own
            });
        }
    }
    rows
}

/// The package's temperature in a row, in the unit of the form.
fn package(read: &mut FieldReader<'_>, row: usize, degrees: Degrees) -> Option<f64> {
    let (lo, hi) = (degrees.shown(-60.0), degrees.shown(200.0));
    let name = format!("package_{}_{row}", degrees.suffix());
    read.number(&name, lo..=hi).map(|t| degrees.celsius(t))
}

/// `/add/run`: averages typed by hand.
pub(crate) fn run(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let mut read = FieldReader::new(fields, reader.degrees);
    let text = |name: &str| fields.text(name).unwrap_or("").to_owned();
    let typed = TypedRun {
        name: text("run"),
        machine: text("machine"),
        cooling: text("cooling"),
        tune: text("tune"),
        setting: text("setting"),
        pl1_w: read.limit("pl1_w", 0.1..=5000.0),
        pl2_w: read.limit("pl2_w", 0.1..=5000.0),
        tau_s: read.limit("tau_s", 0.0..=86_400.0),
        temp_limit_c: read.limit_temperature("limit", 0.0..=200.0),
        workload: text("workload"),
        room_c: read.temperature("room", -60.0..=80.0),
        phases: read_rows(&mut read, fields, reader.degrees),
        score: read.number("score", SCORES),
    };
    if typed.name.is_empty() {
        read.problem("run", "the run needs a name");
    }
    if typed.phases.is_empty() && read.problems.is_empty() {
        let first = format!("package_{}_1", reader.degrees.suffix());
        read.problem(
            &first,
            "fill in at least one row: the power and the temperature of what stays",
        );
    }
    let mut problems = read.problems;
    if problems.is_empty() {
        let name = typed.name.clone();
        let kept = state.with(|book| Ok(book.transaction(|book| typed_runs(book, vec![typed]))));
        match kept? {
            Ok((runs, _)) => {
                let id = runs.first().map(|r| r.id).ok_or_else(PageError::inside)?;
                state.note_added(id);
                return Ok(go_to(&format!("/run/{id}")));
            }
            Err(error) => problems.push(Problem {
                field: "run".into(),
                message: plain_words(PageError::from(error), &name)?,
            }),
        }
    }
    page(
        state,
        reader,
        fields,
        &problems,
        axum::http::StatusCode::UNPROCESSABLE_ENTITY,
    )
}

/// The message of what the reader can mend; anything else stays an error.
pub(crate) fn plain_words(error: PageError, run: &str) -> Result<String, PageError> {
    if error.status.is_server_error() {
        return Err(error);
    }
    let text = error.message;
    let prefix = format!("run {run}: ");
    Ok(text.strip_prefix(&prefix).unwrap_or(&text).to_owned())
}

fn scores_form(state: &State, known: &Known) -> Markup {
    let runs: Vec<(String, String)> = known
        .runs
        .iter()
        .map(|r| (r.id.to_string(), r.name.clone()))
        .collect();
    html! {
        @if runs.is_empty() { p { "There is no run yet to give scores to." } }
        @else {
            form .line method="post" action="/add/scores" {
                (token(state))
                (select("id", "Run", &runs, ""))
                (Input { name: "scores", label: "Scores", value: "", hint: "several with spaces between", required: true, words: true, ..Input::default() }.show(&[]))
                button type="submit" { "Add the scores" }
            }
        }
    }
}

/// `/add/scores`.
pub(crate) fn scores(state: &State, _: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let id = run_id(fields)?;
    let values = score_values(fields.text("scores").unwrap_or(""))?;
    state.with(|book| {
        let before = book.run(id)?.scores.iter().map(|s| s.repetition).max();
        let mut scores = scores_of(&values);
        for score in &mut scores {
            score.repetition += before.unwrap_or(0);
        }
        Ok(book.add_scores(id, &scores)?)
    })?;
    Ok(go_to(&format!("/run/{id}#scores")))
}

/// Numbers with spaces or semicolons between.
pub(crate) fn score_values(text: &str) -> Result<Vec<f64>, PageError> {
    let bad = |word: &str| {
        PageError::asked(format!(
            "'{word}' is no score: give numbers above 0 with spaces between. Nothing was added."
        ))
    };
    let words = text.split([' ', ';', '\t', '\n']).filter(|w| !w.is_empty());
    let values: Vec<f64> = words
        .map(|word| {
            let value = word.replace(',', ".").parse::<f64>().ok();
            value
                .filter(|v| SCORES.contains(v))
                .ok_or_else(|| bad(word))
        })
        .collect::<Result<_, _>>()?;
    if values.is_empty() {
        return Err(bad(""));
    }
    Ok(values)
}

/// Takes back what this server added: `/run/ID/undo`.
pub(crate) fn undo(state: &State, _: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let id = run_id(fields)?;
    if !state.was_added(id) {
        return Err(PageError::asked(
            "This run was not added just now. Leave it out on the page of runs instead; that can be undone.",
        ));
    }
    state.with(|book| Ok(book.remove_run(id)?))?;
    Ok(go_to("/add"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scores_come_in_a_line() {
        assert_eq!(score_values("38,2 38.4;38").unwrap(), [38.2, 38.4, 38.0]);
        for bad in ["", "x", "0", "-1", "nan", "1 inf"] {
            assert!(score_values(bad).is_err(), "{bad}");
        }
    }
}
