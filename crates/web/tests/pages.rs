//! The job through the forms, as a browser without script sends them.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod support;

use std::fmt::Write as _;
use std::io::{BufRead as _, BufReader, Write as _};
use std::net::TcpStream;
use std::time::Duration;

use settlepoint_bench::Presence;
use settlepoint_domain::{
    Averaging, Channel, FanSetting, LimitValue, Role, Run, RunData, Unit, Workload,
};
use settlepoint_infer::forward::Conditions;
use settlepoint_infer::predict::{Query, setting_of};
use settlepoint_notebook::{LogSource, Notebook, new_id};
use settlepoint_views::gather::{Pick, gather, open};
use support::Server;

/// Text of a page: tags become spaces.
fn text(page: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for sign in page.chars() {
        match sign {
            '<' => inside = true,
            '>' => {
                inside = false;
                out.push(' ');
            }
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The first number behind some words.
fn number_after(page: &str, words: &str) -> f64 {
    let text = text(page);
    let at = text.find(words).expect(words) + words.len();
    let rest = text[at..].trim_start().replace('\u{2212}', "-");
    let end = rest
        .find(|c: char| !(c.is_ascii_digit() || ".-".contains(c)))
        .unwrap_or(rest.len());
    rest[..end].parse().expect(words)
}

/// A log of two minutes at rest and eight under load, whose power column says nothing of itself.
fn log(power: &str, factor: f64) -> String {
    let mut text = format!("time s,{power},core °C\n");
    for second in 0..600 {
        let t = f64::from(second);
        let load = second >= 120;
        let watts = if load { 100.0 } else { 15.0 };
        // One time constant of 60 s and 0.4 K/W over a room of 22 °C.
        let heat = if load {
            28.0 + 34.0 * (1.0 - (-(t - 120.0) / 60.0).exp())
        } else {
            28.0
        };
        writeln!(text, "{second},{},{heat:.1}", watts * factor).unwrap();
    }
    text
}

#[test]
fn three_typed_runs_lead_to_a_choice() {
    let server = Server::with_three_runs();
    let runs = server.get("/runs");
    for words in ["65 W", "125 W", "181 W", "mixdown", "tower and three fans"] {
        assert!(text(&runs.body).contains(words), "{words}");
    }
    let models = text(&server.get("/models").body);
    assert!(models.contains("from 3 runs") && models.contains("What the cooling holds"));
    let chosen = server.get("/choose?room_c=34&temp_max_c=90&noise_max_dba=36&loss_max_pct=25");
    assert_eq!(chosen.status, 200);
    let words = text(&chosen.body);
    assert!(words.contains("Recommended PL1 "), "{words}");
    assert!(words.contains("keeps every bound"), "{words}");
    // Without a question there is no answer, and no computing.
    assert!(!text(&server.get("/choose").body).contains("Recommended"));
}

#[test]
fn the_page_says_what_the_core_says() {
    let server = Server::with_three_runs();
    let page = server
        .get("/what-if?pl1_w=150&pl2_w=253&tau_s=56&limit_c=100&room_c=30&minutes=10&altitude_m=0")
        .body;
    let book = open(&server.folder.path().join("studio.settle")).unwrap();
    let gathered = gather(&book, &Pick::default()).unwrap();
    let (fit, _) = gathered.fit(&[]).unwrap();
    let value = LimitValue::Value;
    let query = Query {
        workload: 0,
        setting: setting_of(
            "",
            value(150.0),
            value(253.0),
            value(56.0),
            value(100.0),
            FanSetting::AsFitted,
        ),
        conditions: Conditions {
            room_c: 30.0,
            altitude_m: 0.0,
            duration_s: 600.0,
        },
    };
    let told = fit.predict(&query, usize::MAX).sustained;
    // Shown with one decimal.
    let near = |shown: f64, exact: f64| assert!((shown - exact).abs() <= 0.051, "{shown} {exact}");
    near(number_after(&page, "Settles at"), told.package_c.value);
    near(number_after(&page, "°C and"), told.settled_power_w.value);
    near(
        number_after(&page, "fan speed"),
        told.fan_speed_rpm.value().unwrap().round(),
    );
    near(
        number_after(&page, "level"),
        told.level_dba.value().unwrap(),
    );
}

#[test]
fn a_bookmark_means_the_same_tomorrow_and_in_fahrenheit() {
    let server = Server::with_three_runs();
    let address = "/what-if?pl1_w=150&pl2_w=253&tau_s=56&limit_c=100&room_c=30";
    let first = server.get(address).body;
    assert_eq!(text(&first), text(&server.get(address).body));
    let warm = server
        .get_with(address, "Cookie: settlepoint-degrees=f\r\n")
        .body;
    let (c, f) = (
        number_after(&first, "Settles at"),
        number_after(&warm, "Settles at"),
    );
    // Both are rounded to a tenth: 0.05 K is 0.09 °F, and 0.05 °F more.
    assert!((c * 1.8 + 32.0 - f).abs() <= 0.15, "{c} °C, {f} °F");
    assert!(warm.contains("name=\"room_f\" value=\"86\""));
    // The address that the page offers is in its own unit and comes to the same.
    let at = warm.find("/what-if?machine").unwrap();
    let offered = warm[at..].split('"').next().unwrap().replace("&amp;", "&");
    assert!(offered.contains("room_f=86"), "{offered}");
    assert_eq!(
        number_after(&server.get(&offered).body, "Settles at").to_bits(),
        c.to_bits()
    );
}

#[test]
fn what_cannot_be_read_is_shown_again_with_what_to_do() {
    let server = Server::with_three_runs();
    let page = server.get("/what-if?pl1_w=lots&room_c=30");
    assert_eq!(page.status, 200);
    assert!(text(&page.body).contains("'lots' is not a number from 0.1 to 5000"));
    assert!(page.body.contains("aria-invalid=\"true\""));
    let limits = server.get("/what-if?pl1_w=100&limit_c=20&room_c=30");
    assert!(text(&limits.body).contains("not above the room"));
    let wrong = server.post(
        "/add/run",
        &[
            ("run", "x"),
            ("power_w_1", "many"),
            ("package_c_1", "50"),
            ("phase_1", "sustained"),
            ("room_c", "20"),
        ],
    );
    assert_eq!(wrong.status, 422);
    // Nothing typed is lost.
    assert!(
        wrong.body.contains("value=\"many\"")
            && wrong.body.contains("name=\"package_c_1\" value=\"50\"")
    );
    let taken = server.post(
        "/add/run",
        &[
            ("run", "65 W"),
            ("power_w_1", "60"),
            ("package_c_1", "50"),
            ("phase_1", "sustained"),
            ("room_c", "20"),
        ],
    );
    assert_eq!(taken.status, 422);
    assert!(
        text(&taken.body).contains("already has a run &#39;65 W&#39;")
            || text(&taken.body).contains("already has a run '65 W'")
    );
    let empty = server.post("/add/run", &[("run", "nothing noted")]);
    assert!(text(&empty.body).contains("at least one row"));
}

#[test]
fn leaving_out_and_adding_can_be_undone() {
    let server = Server::with_three_runs();
    let page = server.get("/runs").body;
    let at = page.find("href=\"/run/").unwrap() + 11;
    let id = &page[at..at + 32];
    let left = server.post(
        &format!("/run/{id}/leave-out"),
        &[("reason", "window was open")],
    );
    assert_eq!(left.location(), format!("/runs?changed={id}"));
    let shown = text(&server.get(left.location()).body);
    assert!(shown.contains("is left out: window was open") && shown.contains("Undo"));
    assert!(text(&server.get("/models").body).contains("from 2 runs"));
    assert_eq!(server.post(&format!("/run/{id}/take-in"), &[]).status, 303);
    assert!(text(&server.get("/models").body).contains("from 3 runs"));
    // Without a reason nothing happens.
    assert_eq!(
        server
            .post(&format!("/run/{id}/leave-out"), &[("reason", " ")])
            .status,
        422
    );
    let undone = server.post(&format!("/run/{id}/undo"), &[]);
    assert_eq!((undone.status, undone.location()), (303, "/add"));
    assert_eq!(server.get(&format!("/run/{id}")).status, 404);
}

#[test]
fn a_log_is_shown_corrected_and_kept() {
    let server = Server::with_three_runs();
    let sent = server.upload("rig.csv", log("channel A", 0.001).as_bytes());
    assert_eq!(sent.status, 303, "{}", sent.body);
    let place = sent.location().to_owned();
    let page = server.get(&place).body;
    let words = text(&page);
    assert!(
        words.contains("601 lines read, 600 kept, 1 header"),
        "{words}"
    );
    // Nothing is in the notebook yet.
    assert!(!text(&server.get("/runs").body).contains("rig"));
    let chosen = |page: &str, column: u32| {
        let select = page
            .split(&format!("name=\"role-{column}\""))
            .nth(1)
            .unwrap();
        let select = select.split("</select>").next().unwrap();
        let option = select.split(" selected").next().unwrap();
        option
            .rsplit("value=\"")
            .next()
            .unwrap()
            .split('"')
            .next()
            .unwrap()
            .to_owned()
    };
    assert_eq!(
        (chosen(&page, 2), chosen(&page, 3)),
        ("other".into(), "temperature".into())
    );
    let read = server.post(
        &format!("{place}/read"),
        &[
            ("role-2", "power"),
            ("was-2", "other"),
            ("mark-2", "*1000"),
            ("role-3", "temperature"),
            ("was-3", "temperature"),
        ],
    );
    assert_eq!((read.status, read.location()), (303, place.as_str()));
    let again = server.get(&place).body;
    assert_eq!(chosen(&again, 2), "power");
    assert!(text(&again).contains("sustained"), "{}", text(&again));
    let bad = server.post(
        &format!("{place}/read"),
        &[
            ("role-2", "power"),
            ("was-2", "power"),
            ("mark-2", "@furlong"),
        ],
    );
    assert_eq!(bad.status, 422);
    let kept = server.post(
        &format!("{place}/keep"),
        &[
            ("run", "rig at 100 W"),
            ("workload", "mixdown"),
            ("pl1_w", "100"),
            ("room_c", "22"),
            ("score", "35.1"),
        ],
    );
    assert_eq!(kept.status, 303, "{}", text(&kept.body));
    let run = text(&server.get(kept.location()).body);
    assert!(run.contains("Over time") && run.contains("Added."), "{run}");
    let watts = server.get("/runs.csv").body;
    let row = watts
        .lines()
        .find(|l| l.starts_with("rig at 100 W"))
        .unwrap();
    assert_eq!(row.split(',').nth(2), Some("100.0"), "{row}");
    // It waits no longer; the file is in the notebook as it came.
    assert_eq!(server.get(&place).status, 404);
    let book = open(&server.folder.path().join("studio.settle")).unwrap();
    let raw = book.raw_files().unwrap();
    assert_eq!(
        book.raw_file(raw[0].hash).unwrap(),
        log("channel A", 0.001).as_bytes()
    );
}

#[test]
fn files_are_what_their_names_say() {
    let server = Server::with_three_runs();
    for (path, kind, begins) in [
        ("/runs.csv", "text/csv", "run,settled °C"),
        ("/models.csv", "text/csv", "parameter,value"),
        ("/what-if.csv", "text/csv", "quantity,likely"),
        ("/choose.csv?room_c=30", "text/csv", ",PL1 W"),
        ("/chart/work.svg", "image/svg+xml", "<svg"),
        ("/chart/work.csv", "text/csv", ""),
        ("/chart/what-if.svg?pl1_w=100", "image/svg+xml", "<svg"),
        ("/chart/trade-off.svg?room_c=30", "image/svg+xml", "<svg"),
        ("/chart/level.png", "image/png", "\u{fffd}PNG"),
        ("/chart/map.svg", "image/svg+xml", "<svg"),
        ("/plan/sheet.csv?runs=1&room_c=30", "text/csv", ""),
        (
            "/plan/sheet.html?runs=1&room_c=30",
            "text/html",
            "<!DOCTYPE html>",
        ),
    ] {
        let answer = server.get(path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.body);
        assert!(
            answer.header("content-type").unwrap().starts_with(kind),
            "{path}"
        );
        assert!(
            answer
                .header("content-disposition")
                .unwrap()
                .starts_with("attachment"),
            "{path}"
        );
        assert!(
            answer.body.starts_with(begins),
            "{path}: {:.60}",
            answer.body
        );
        assert!(
            !answer.body.contains("var(--"),
            "{path} needs a page's colours"
        );
    }
}

#[test]
fn pages_read_without_script_and_by_ear() {
    let server = Server::with_three_runs();
    for path in [
        "/",
        "/runs",
        "/add",
        "/models",
        "/what-if",
        "/choose?room_c=30",
        "/compare",
        "/plan",
    ] {
        let page = server.get(path).body;
        let count = |what: &str| page.matches(what).count();
        assert_eq!(
            (count("<h1"), count("<main"), count("lang=\"en\"")),
            (1, 1, 1),
            "{path}"
        );
        // Each picture has a name, and its numbers as a table beside it.
        assert_eq!(count("<svg"), count("role=\"img\" aria-label=\""), "{path}");
        assert_eq!(count("<figure"), count("<summary>Its numbers"), "{path}");
        // Each field has a label of its own.
        for part in page
            .split("<input ")
            .skip(1)
            .filter(|p| !p.starts_with("type=\"hidden\""))
        {
            let tag = part.split('>').next().unwrap();
            let id = tag
                .split("id=\"")
                .nth(1)
                .map(|r| r.split('"').next().unwrap());
            let labelled = id.is_some_and(|id| page.contains(&format!("for=\"{id}\"")));
            assert!(
                labelled || tag.contains("aria-label=") || tag.contains("checkbox"),
                "{path}: {tag}"
            );
        }
        let ids: Vec<&str> = page
            .split(" id=\"")
            .skip(1)
            .map(|r| r.split('"').next().unwrap())
            .collect();
        let mut distinct = ids.clone();
        distinct.sort_unstable();
        distinct.dedup();
        assert_eq!(ids.len(), distinct.len(), "{path} has an id twice: {ids:?}");
    }
}

/// A recording under way in the server's notebook.
fn begin(book: &Notebook) -> Run {
    let machine = book.machine_named("attic studio").unwrap();
    let cooling = book
        .cooling_named(machine.id, "tower and three fans")
        .unwrap();
    let workload: Workload = book.workloads().unwrap().remove(0);
    let run = Run {
        id: new_id().unwrap(),
        name: "under way".into(),
        machine: machine.id,
        cooling: cooling.id,
        tune: None,
        setting: book.settings().unwrap()[0].id,
        workload: workload.id,
        room_c: Some(22.0),
        altitude_m: None,
        data: RunData::Log,
        scores: Vec::new(),
        excluded: None,
    };
    let channel = |role, unit: Unit, column: &str| Channel {
        role,
        column: column.into(),
        column_number: 1,
        unit,
        part: "package".into(),
        reason: "made for a test".into(),
        resolution: None,
        averaging: Averaging::Instant,
        values: Vec::new(),
    };
    let recipe = serde_json::json!({ "recorder": Presence::here().to_json() }).to_string();
    let source = LogSource {
        name: "test",
        recipe: &recipe,
        raw: None,
    };
    book.add_run(&run).unwrap();
    let channels = [
        channel(Role::Power, Unit::Watt, "power"),
        channel(Role::Temperature, Unit::Celsius, "temperature"),
    ];
    book.begin_recording(run.id, None, &channels, &source)
        .unwrap();
    run
}

fn rows(from: u32, to: u32) -> Vec<(f64, [f64; 2])> {
    (from..to)
        .map(|s| {
            let watts = if s < 60 { 15.0 } else { 65.0 };
            (
                f64::from(s),
                [
                    watts,
                    30.0 + f64::from(s.saturating_sub(60)).min(200.0) / 10.0,
                ],
            )
        })
        .collect()
}

#[test]
fn a_recording_is_followed_to_its_end() {
    let server = Server::with_three_runs();
    let book = open(&server.folder.path().join("studio.settle")).unwrap();
    let run = begin(&book);
    book.record(run.id, &rows(0, 120)).unwrap();
    let page = text(&server.get(&format!("/live/{}", run.id)).body);
    assert!(
        page.contains("under way, being recorded") && page.contains("120 rows in 1:59 min"),
        "{page}"
    );
    // It is in the table, and in no fit until it has ended.
    assert!(text(&server.get("/runs").body).contains("recording"));
    assert!(text(&server.get("/models").body).contains("from 3 runs"));

    let mut stream = TcpStream::connect(&server.host).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(20)))
        .unwrap();
    let head = format!(
        "GET /live/{}/events?width=700 HTTP/1.1\r\nHost: {}\r\n\r\n",
        run.id, server.host
    );
    stream.write_all(head.as_bytes()).unwrap();
    let mut lines = BufReader::new(stream).lines().map(|l| l.unwrap());
    let mut until = |words: &str| lines.find(|line| line.contains(words)).unwrap();
    assert!(until("content-type").contains("text/event-stream"));
    until("event: rows");
    assert!(until("data: ").contains("120 rows in"));
    book.record(run.id, &rows(120, 300)).unwrap();
    until("event: rows");
    let news = until("data: ");
    assert!(
        news.contains("300 rows in") && news.contains("<svg"),
        "{news}"
    );
    book.finish_recording(run.id).unwrap();
    until("event: end");
    assert!(until("data: ").contains(&format!("/run/{}", run.id)));
    assert_eq!(
        server.get(&format!("/live/{}", run.id)).location(),
        format!("/run/{}", run.id)
    );
    assert!(text(&server.get("/models").body).contains("from 4 runs"));
}

#[test]
fn another_programs_changes_are_seen() {
    let server = Server::with_three_runs();
    assert!(text(&server.get("/models").body).contains("from 3 runs"));
    let book = open(&server.folder.path().join("studio.settle")).unwrap();
    let first = book.runs().unwrap()[0].id;
    book.exclude_run(first, "elsewhere").unwrap();
    assert!(text(&server.get("/models").body).contains("from 2 runs"));
}

#[test]
fn an_empty_notebook_says_what_to_do() {
    let server = Server::start();
    assert!(text(&server.get("/").body).contains("From about three runs"));
    for path in [
        "/runs", "/models", "/what-if", "/choose", "/compare", "/plan",
    ] {
        let page = server.get(path);
        assert_eq!(page.status, 409, "{path}");
        assert!(text(&page.body).contains("No notebook is open"), "{path}");
    }
    assert_eq!(
        server.post("/new", &[("name", "studio")]).location(),
        "/add"
    );
    for path in ["/", "/runs", "/add", "/compare", "/plan"] {
        assert_eq!(server.get(path).status, 200, "{path}");
    }
    for path in ["/models", "/what-if", "/choose?room_c=30"] {
        let page = server.get(path);
        assert_eq!(page.status, 422, "{path}");
        assert!(
            text(&page.body).contains("Add runs first"),
            "{path}: {}",
            text(&page.body)
        );
    }
    let first = server.get("/plan?runs=3&room_c=34&kind=small");
    assert!(
        text(&first.body).contains("Run sheet"),
        "{}",
        text(&first.body)
    );
    let twice = server.post("/new", &[("name", "studio")]);
    assert_eq!(twice.status, 409);
    assert!(text(&twice.body).contains("already"));
}
