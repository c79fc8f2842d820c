//! A dropped log: what was recognised and why, corrected by hand, kept or let go.

use std::sync::Arc;

use axum::extract::{Multipart, State as Shared};
use axum::http::{HeaderMap, Uri};
use axum::response::Response;
use maud::{Markup, html};
use settlepoint_domain::{FanSetting, Finding, LimitValue, Role, Run, RunData, SensorLog, Setting};
use settlepoint_draw::Table;
use settlepoint_import::{ChannelOverride, ImportOptions, Imported, import};
use settlepoint_infer::predict::setting_of;
use settlepoint_notebook::{LogSource, Notebook, new_id};
use settlepoint_views::adding::{
    LogToKeep, check_room, check_setting, cooling_for, foreign, has_readings, keep_log,
    limits_label, machine_for, refuse_run_name, same_file, scores_of, workload_for,
};
use settlepoint_views::charts::log_over_time;
use settlepoint_views::gather::analysed;

use super::add::{Known, SCORES, name_field, plain_words, setting_fields};
use super::go_to;
use crate::error::PageError;
use crate::field::{Fields, Problem, Reader as FieldReader};
use crate::figure;
use crate::guard;
use crate::html::{self, Page, Reader, section, select, token};
use crate::number::cell;
use crate::state::{State, lock};

/// Logs that may wait at one time; the oldest makes room.
const WAITING: usize = 3;

/// Logs that were dropped and not yet kept.
#[derive(Debug, Default)]
pub(crate) struct Pending {
    logs: Vec<Dropped>,
}

/// A dropped log with what was said about it.
#[derive(Clone, Debug)]
struct Dropped {
    id: String,
    name: String,
    bytes: Arc<Vec<u8>>,
    said: Said,
}

/// What the reader said about the file.
#[derive(Clone, Debug, Default)]
struct Said {
    overrides: Vec<ChannelOverride>,
    interval_s: Option<f64>,
    device: Option<String>,
    days: Option<String>,
}

impl Said {
    fn options(&self) -> ImportOptions {
        ImportOptions {
            overrides: self.overrides.clone(),
            interval_s: self.interval_s,
            device: self.device.clone(),
            day_order: self.days.as_deref().and_then(|d| d.parse().ok()),
            ..ImportOptions::default()
        }
    }
}

impl Dropped {
    fn read(&self) -> Result<Imported, PageError> {
        if let Some(what) = foreign(&self.bytes) {
            return Err(PageError::asked(format!("This file is {what}.")));
        }
        import(&self.bytes, &self.said.options(), &mut |_, _| {})
            .map_err(|e| PageError::asked(html::sentence(&e.to_string())))
    }

    fn stem(&self) -> &str {
        self.name
            .rsplit_once('.')
            .map_or(&self.name, |(stem, _)| stem)
    }
}

/// The label of a file: what stands behind the last slash, without control signs.
fn label(name: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or("");
    let clean: String = last.chars().filter(|c| !c.is_control()).take(120).collect();
    if clean.trim().is_empty() {
        "dropped log".to_owned()
    } else {
        clean
    }
}

/// `/add/log`: takes the file into memory and shows what it is. Nothing is written.
pub(crate) async fn take(
    Shared(state): Shared<Arc<State>>,
    headers: HeaderMap,
    uri: Uri,
    form: Multipart,
) -> Response {
    let reader = super::reader(&headers, &uri);
    match parts(&state, form).await {
        Ok((name, bytes)) => {
            let fields = Fields(vec![("name".into(), name)]);
            let held = Arc::clone(&state);
            let kept = tokio::task::spawn_blocking(move || keep_in_memory(&held, &fields, bytes));
            match kept.await {
                Ok(Ok(response)) => response,
                Ok(Err(error)) => html::error_for(&state, &reader, &error),
                Err(_) => html::error_for(&state, &reader, &PageError::inside()),
            }
        }
        Err(error) => html::error_for(&state, &reader, &error),
    }
}

/// The token comes first; without it nothing else is looked at.
async fn parts(state: &State, mut form: Multipart) -> Result<(String, Vec<u8>), PageError> {
    let broken = || PageError::asked("The file did not arrive whole. Send it again.");
    let mut allowed = false;
    while let Some(part) = form.next_field().await.map_err(|_| broken())? {
        let field = part.name().unwrap_or("").to_owned();
        match field.as_str() {
            "token" => {
                let given = part.text().await.map_err(|_| broken())?;
                guard::check_token(state, &given)?;
                allowed = true;
            }
            "file" if allowed => {
                let name = label(part.file_name().unwrap_or(""));
                let bytes = part.bytes().await.map_err(|_| broken())?.to_vec();
                if bytes.is_empty() {
                    return Err(PageError::asked("The file is empty. Choose another."));
                }
                return Ok((name, bytes));
            }
            _ => {}
        }
    }
    guard::check_token(state, if allowed { &state.token } else { "" })?;
    Err(PageError::asked(
        "No file was sent. Choose one and try again.",
    ))
}

fn keep_in_memory(state: &State, fields: &Fields, bytes: Vec<u8>) -> Result<Response, PageError> {
    let dropped = Dropped {
        id: new_id()?.to_string(),
        name: fields.raw("name").to_owned(),
        bytes: Arc::new(bytes),
        said: Said::default(),
    };
    // What cannot be read at all is said at once and not held.
    dropped.read()?;
    let target = format!("/add/log/{}", dropped.id);
    let mut pending = lock(&state.pending);
    if pending.logs.len() >= WAITING {
        pending.logs.remove(0);
    }
    pending.logs.push(dropped);
    Ok(go_to(&target))
}

fn waiting(state: &State, fields: &Fields) -> Result<Dropped, PageError> {
    let pending = lock(&state.pending);
    let found = pending.logs.iter().find(|d| d.id == fields.raw("id"));
    found.cloned().ok_or_else(|| {
        PageError::not_found("This log is no longer waiting here. Choose the file again on 'Add'.")
    })
}

fn remember(state: &State, dropped: Dropped) {
    let mut pending = lock(&state.pending);
    if let Some(place) = pending.logs.iter_mut().find(|d| d.id == dropped.id) {
        *place = dropped;
    }
}

/// `/add/log/ID`.
pub(crate) fn show(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    page(state, reader, fields, &[])
}

fn page(
    state: &State,
    reader: &Reader,
    fields: &Fields,
    problems: &[Problem],
) -> Result<Response, PageError> {
    let dropped = waiting(state, fields)?;
    let imported = dropped.read()?;
    let known = Known::of(state)?;
    let (_, review) = analysed(&imported.log, None);
    let mut findings: Vec<Finding> = imported.findings.clone();
    findings.extend(review.findings.iter().cloned());
    let here = format!("/add/log/{}", dropped.id);
    let body = html! {
        (known.lists())
        p .lead { (account(&imported)) }
        (html::problems(problems))
        (section("columns", "What it was taken for", "Change what is wrong and read it again. A unit or factor stands behind its mark: @degF, *0.001.", html! {
            form method="post" action={ (here) "/read" } {
                (token(state))
                (columns(&imported))
                (questions(&imported, &dropped.said))
                button type="submit" { "Read it again" }
            }
        }))
        (section("picture", "Over time", "", picture(&imported, &dropped, reader, &review)))
        (section("phases", "Phases", "", html! { (super::run::phases(&review, reader.degrees)) }))
        (section("findings", "Findings", "", html::findings(&findings)))
        (section("keep", "Keep it", "Under which conditions it was run.", keep_form(state, reader, fields, &dropped, problems)))
    };
    Ok(Page {
        state,
        reader,
        title: dropped.name.clone(),
        place: "/add",
        body,
    }
    .with_status(if problems.is_empty() {
        axum::http::StatusCode::OK
    } else {
        axum::http::StatusCode::UNPROCESSABLE_ENTITY
    }))
}

/// Every line, accounted for.
fn account(imported: &Imported) -> String {
    let rows = &imported.rows;
    let mut text = format!("{} lines read, {} kept", rows.read, rows.kept);
    for skipped in &rows.skipped {
        text += &format!(
            ", {} {}",
            skipped.count,
            skipped.reason.token().replace('_', " ")
        );
    }
    let time = if imported.log.time_known() {
        format!(
            ". {} s from first to last row: {}.",
            cell(Some(imported.log.span_s()), 0),
            imported.time_reason.trim_end_matches('.')
        )
    } else {
        ". It has no time.".to_owned()
    };
    text + &time
}

fn columns(imported: &Imported) -> Markup {
    let channels = imported.log.channels();
    html! {
        div .scroll { table {
            caption .unseen { "Columns and what they were taken for" }
            thead { tr { th scope="col" { "column" } th scope="col" { "taken for" } th scope="col" { "unit or factor" } th scope="col" { "unit" } th scope="col" .n { "mean" } th scope="col" .n { "least" } th scope="col" .n { "most" } th scope="col" .n { "missing" } th scope="col" { "why" } } }
            tbody { @for c in channels {
                @let (lo, hi) = c.range().map_or((None, None), |(a, b)| (Some(a), Some(b)));
                tr {
                    th scope="row" { (c.column) }
                    td { select name={ "role-" (c.column_number) } aria-label={ "role of " (c.column) } {
                        @for role in Role::ALL { option value=(role.token()) selected[role == c.role] { (role.token().replace('_', " ")) } }
                    } input type="hidden" name={ "was-" (c.column_number) } value=(c.role.token()); }
                    td { input name={ "mark-" (c.column_number) } value="" size="7" autocomplete="off" aria-label={ "unit or factor of " (c.column) }; }
                    td { (c.unit.code().trim_matches(['{', '}']).replace("Cel", "°C")) }
                    td .n { (cell(c.mean(), 1)) } td .n { (cell(lo, 1)) } td .n { (cell(hi, 1)) } td .n { (c.missing()) }
                    td .why { (c.reason) }
                }
            } }
        } }
    }
}

/// What the file does not tell.
fn questions(imported: &Imported, said: &Said) -> Markup {
    let days: Vec<(String, String)> = [
        ("", "as recognised"),
        ("day_first", "day first"),
        ("month_first", "month first"),
        ("year_first", "year first"),
    ]
    .map(|(v, w)| (v.to_owned(), w.to_owned()))
    .to_vec();
    let devices: Vec<(String, String)> =
        std::iter::once((String::new(), "as recognised".to_owned()))
            .chain(imported.devices.iter().map(|d| (d.clone(), d.clone())))
            .collect();
    let interval = said.interval_s.map_or_else(String::new, |s| s.to_string());
    html! {
        @if !imported.questions.is_empty() {
            ul .notes { @for q in &imported.questions {
                li { (html::sentence(&q.about)) " Taken meanwhile: " strong { (q.chosen) } ", because " (q.reason) "." }
            } }
        }
        details open[!imported.questions.is_empty()] {
            summary { "Time and devices" }
            div .fields {
                (html::Input { name: "interval_s", label: "Seconds between rows", value: &interval, hint: "where the file has no time", ..html::Input::default() }.show(&[]))
                (select("days", "Order in dates", &days, said.days.as_deref().unwrap_or("")))
                @if imported.devices.len() > 1 { (select("device", "Device", &devices, said.device.as_deref().unwrap_or(""))) }
            }
        }
    }
}

fn no_setting() -> Setting {
    let none = LimitValue::Unknown;
    setting_of("", none, none, none, none, FanSetting::AsFitted)
}

fn picture(
    imported: &Imported,
    dropped: &Dropped,
    reader: &Reader,
    review: &settlepoint_phases::Review,
) -> Markup {
    let mut chart = log_over_time(&imported.log, review, &no_setting());
    if chart.panels.is_empty() {
        return html! { p { "No column is known yet to be a power, a temperature or another reading. Name one above." } };
    }
    chart.title.clone_from(&dropped.name);
    let chart = crate::degrees::run(chart, reader.degrees);
    figure::picture(&chart, figure::TALL)
}

fn keep_form(
    state: &State,
    reader: &Reader,
    fields: &Fields,
    dropped: &Dropped,
    problems: &[Problem],
) -> Markup {
    let here = format!("/add/log/{}", dropped.id);
    let name = match fields.raw("run") {
        "" => dropped.stem(),
        own => own,
    };
    html! {
        form method="post" action={ (here) "/keep" } {
            (token(state))
            div .fields {
                (name_field("run", "Run", "", name, "", problems))
                (name_field("machine", "Machine", "machines", fields.raw("machine"), "blank: the only one", problems))
                (name_field("cooling", "Cooling", "coolings", fields.raw("cooling"), "blank: the only one", problems))
                (name_field("tune", "Tune", "tunes", fields.raw("tune"), "", problems))
                (name_field("workload", "Workload", "workloads", fields.raw("workload"), "blank: the only one", problems))
                (setting_fields(fields, reader.degrees, problems))
                (html::Input { name: "altitude_m", label: "Altitude", unit: "m", value: fields.raw("altitude_m"), ..html::Input::default() }.show(problems))
            }
            button .main type="submit" { "Keep it in the notebook" }
        }
        form .away method="post" action={ (here) "/drop" } { (token(state)) button .quiet type="submit" { "Let it go" } }
    }
}

/// `/add/log/ID/read`: roles corrected by hand.
pub(crate) fn read(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let mut dropped = waiting(state, fields)?;
    let mut problems = Vec::new();
    for (name, role) in &fields.0 {
        let Some(number) = name.strip_prefix("role-") else {
            continue;
        };
        let mark = fields.raw(&format!("mark-{number}")).trim();
        let unchanged = fields.raw(&format!("was-{number}")) == role;
        if unchanged && mark.is_empty() {
            continue;
        }
        match format!("{role}=col {number}{mark}").parse::<ChannelOverride>() {
            Ok(own) => {
                let column = own.column.clone();
                dropped.said.overrides.retain(|o| o.column != column);
                dropped.said.overrides.push(own);
            }
            Err(error) => problems.push(Problem {
                field: name.clone(),
                message: error.to_string(),
            }),
        }
    }
    let mut numbers = FieldReader::new(fields, reader.degrees);
    dropped.said.interval_s = numbers.number("interval_s", 1e-6..=1e6);
    problems.append(&mut numbers.problems);
    let text = |name: &str| fields.text(name).map(str::to_owned);
    (dropped.said.days, dropped.said.device) = (text("days"), text("device"));
    if problems.is_empty()
        && let Err(error) = dropped.read()
    {
        problems.push(Problem {
            field: "columns".into(),
            message: error.message,
        });
    }
    if !problems.is_empty() {
        return page(state, reader, fields, &problems);
    }
    let target = format!("/add/log/{}", dropped.id);
    remember(state, dropped);
    Ok(go_to(&target))
}

/// `/add/log/ID/drop`.
#[expect(clippy::unnecessary_wraps, reason = "a handler like the others")]
pub(crate) fn let_go(state: &State, _: &Reader, fields: &Fields) -> Result<Response, PageError> {
    lock(&state.pending)
        .logs
        .retain(|d| d.id != fields.raw("id"));
    Ok(go_to("/add"))
}

/// What the form says of the run.
struct Conditions {
    setting: Setting,
    room_c: Option<f64>,
    altitude_m: Option<f64>,
    score: Option<f64>,
    name: String,
}

fn conditions(reader: &Reader, fields: &Fields) -> Result<Conditions, Vec<Problem>> {
    let mut read = FieldReader::new(fields, reader.degrees);
    let mut setting = Setting {
        pl1_w: read.limit("pl1_w", 0.1..=5000.0),
        pl2_w: read.limit("pl2_w", 0.1..=5000.0),
        tau_s: read.limit("tau_s", 0.0..=86_400.0),
        temp_limit_c: read.limit_temperature("limit", 0.0..=200.0),
        ..no_setting()
    };
    setting.name = limits_label(setting.pl1_w, setting.pl2_w, setting.temp_limit_c);
    let own = Conditions {
        room_c: read.temperature("room", -60.0..=80.0),
        altitude_m: read.number("altitude_m", -500.0..=9000.0),
        score: read.number("score", SCORES),
        name: fields.text("run").unwrap_or("").to_owned(),
        setting,
    };
    if own.name.is_empty() {
        read.problem("run", "the run needs a name");
    }
    if read.problems.is_empty() {
        Ok(own)
    } else {
        Err(read.problems)
    }
}

/// `/add/log/ID/keep`: the run with its log, and the file as it came.
pub(crate) fn keep(state: &State, reader: &Reader, fields: &Fields) -> Result<Response, PageError> {
    let dropped = waiting(state, fields)?;
    let own = match conditions(reader, fields) {
        Ok(own) => own,
        Err(problems) => return page(state, reader, fields, &problems),
    };
    let imported = dropped.read()?;
    if !has_readings(&imported.log) {
        let problem = Problem {
            field: "columns".into(),
            message: "no column is known to be a temperature, a power or another reading; name one"
                .into(),
        };
        return page(state, reader, fields, &[problem]);
    }
    let name = own.name.clone();
    let kept = state.with(|book| {
        Ok(book.transaction(|book| into_notebook(book, &dropped, &imported, own, fields)))
    })?;
    match kept {
        Ok(run) => {
            lock(&state.pending).logs.retain(|d| d.id != dropped.id);
            state.note_added(run.id);
            Ok(go_to(&format!("/run/{}", run.id)))
        }
        Err(error) => {
            let problem = Problem {
                field: "run".into(),
                message: plain_words(error.into(), &name)?,
            };
            page(state, reader, fields, &[problem])
        }
    }
}

fn into_notebook(
    book: &Notebook,
    dropped: &Dropped,
    imported: &Imported,
    own: Conditions,
    fields: &Fields,
) -> Result<Run, settlepoint_views::ViewError> {
    let text = |name: &str| fields.text(name).unwrap_or("");
    let machine = machine_for(book, text("machine"))?;
    let cooling = cooling_for(book, &machine, text("cooling"))?;
    let workload = workload_for(book, text("workload"))?;
    check_setting(&own.setting)?;
    check_room(&own.setting, own.room_c)?;
    refuse_run_name(book, cooling.id, &own.name)?;
    let tune = match fields.text("tune") {
        Some(name) => Some(book.tune_named(machine.id, name)?.id),
        None => None,
    };
    let setting = book.setting_like(&Setting {
        id: new_id()?,
        ..own.setting
    })?;
    let raw = book.keep_raw_bytes(&dropped.bytes)?;
    let before = book.run_of_raw_file(raw)?;
    let recipe = imported.recipe.to_json();
    let source = LogSource {
        name: &dropped.name,
        recipe: &recipe,
        raw: Some(raw),
    };
    let run = Run {
        id: new_id()?,
        name: own.name,
        machine: machine.id,
        cooling: cooling.id,
        tune,
        setting: setting.id,
        workload: workload.id,
        room_c: own.room_c,
        altitude_m: own.altitude_m,
        data: RunData::Log,
        scores: own.score.map(|s| scores_of(&[s])).unwrap_or_default(),
        excluded: None,
    };
    keep_log(
        book,
        &LogToKeep {
            run: &run,
            log: &imported.log,
            source: &source,
        },
    )?;
    if let Some(other) = before {
        let (_, review) = analysed(&imported.log, run.room_c);
        let mut found = review.findings;
        found.push(same_file(&book.run(other)?.name));
        book.set_findings(run.id, &found)?;
    }
    Ok(run)
}

/// A log's columns as a table, for those that are kept.
pub(crate) fn column_table(log: &SensorLog) -> Table {
    let rows = log.channels().iter().map(|c| {
        let (lo, hi) = c
            .range()
            .map_or((None, None), |(lo, hi)| (Some(lo), Some(hi)));
        vec![
            c.column.clone(),
            c.role.token().replace('_', " "),
            c.unit.code().trim_matches(['{', '}']).replace("Cel", "°C"),
            cell(c.mean(), 1),
            cell(lo, 1),
            cell(hi, 1),
            c.missing().to_string(),
            c.reason.clone(),
        ]
    });
    let header = [
        "column",
        "taken for",
        "unit",
        "mean",
        "least",
        "most",
        "missing",
        "why",
    ];
    Table {
        header: header.map(str::to_owned).to_vec(),
        rows: rows.collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_name_is_a_label_and_no_path() {
        assert_eq!(label("../../etc/passwd"), "passwd");
        assert_eq!(label("C:\\logs\\a.csv"), "a.csv");
        assert_eq!(label("a\u{0}\r\nb"), "ab");
        assert_eq!(label("/"), "dropped log");
    }
}
