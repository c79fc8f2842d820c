//! The pages in a real browser.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod support;

use std::fmt::Write as _;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use support::Server;
use support::browser::{Browser, ENTER, RIGHT, TAB};

/// A browser, or the end of the test where there is none and none is demanded.
macro_rules! browser {
    () => {
        match Browser::start() {
            Some(browser) => browser,
            None => return,
        }
    };
}

/// Every text of a picture lies inside of it, and every other text inside of its own box or of one
/// that scrolls; the page is no wider than the window; text has a contrast of 4.5 to 1 at least
/// (Web Content Accessibility Guidelines 2.2, success criterion 1.4.3).
const LAYOUT: &str = r#"
const wrong = [];
const seen = (e) => e.checkVisibility ? e.checkVisibility() : e.offsetParent !== null;
if (document.documentElement.scrollWidth > innerWidth)
  wrong.push("the page is " + document.documentElement.scrollWidth + " px wide in a window of " + innerWidth);
for (const svg of document.querySelectorAll("figure svg")) {
  if (!seen(svg)) continue;
  const box = svg.getBoundingClientRect();
  for (const text of svg.querySelectorAll("text")) {
    const own = text.getBoundingClientRect();
    if (own.left < box.left - 1 || own.right > box.right + 1 || own.top < box.top - 1 || own.bottom > box.bottom + 1)
      wrong.push("'" + text.textContent + "' leaves its picture " + svg.dataset.chart);
  }
}
for (const e of document.querySelectorAll("h1,h2,h3,p,li,label,dt,dd,button,legend,summary,a")) {
  if (!seen(e) || e.closest(".unseen,.skip,.scroll,svg")) continue;
  const own = e.getBoundingClientRect();
  if (own.width > 1 && (own.right > innerWidth + 1 || own.left < -1))
    wrong.push("'" + e.textContent.trim().slice(0, 40) + "' leaves the window");
  if (e.scrollWidth > e.clientWidth + 2 && getComputedStyle(e).display !== "inline")
    wrong.push("'" + e.textContent.trim().slice(0, 40) + "' is wider than its box");
}
const canvas = document.createElement("canvas");
canvas.width = canvas.height = 1;
const pen = canvas.getContext("2d", { willReadFrequently: true });
const rgb = (colour) => {
  pen.clearRect(0, 0, 1, 1);
  pen.fillStyle = colour;
  pen.fillRect(0, 0, 1, 1);
  return [...pen.getImageData(0, 0, 1, 1).data];
};
const light = (c) => {
  const [r, g, b] = c.slice(0, 3).map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
};
const ground = (e) => {
  for (let at = e; at; at = at.parentElement) {
    const own = rgb(getComputedStyle(at).backgroundColor);
    if (own[3] > 250) return own;
  }
  return [255, 255, 255, 255];
};
const told = new Set();
for (const e of document.querySelectorAll("main *, header *, footer *")) {
  if (!seen(e) || e.closest("svg,.unseen") || e.disabled) continue;
  if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
  const [a, b] = [light(rgb(getComputedStyle(e).color)), light(ground(e))].sort((x, y) => y - x);
  const ratio = (a + 0.05) / (b + 0.05);
  const name = e.tagName + "." + e.className;
  if (ratio < 4.5 && !told.has(name)) {
    told.add(name);
    wrong.push(name + " has a contrast of " + ratio.toFixed(2));
  }
}
return wrong;
"#;

fn same_site(server: &Server, requests: &[String]) {
    for address in requests {
        let own = address.starts_with(&format!("http://{}/", server.host));
        let inside = address.starts_with("data:") || address.starts_with("chrome");
        assert!(own || inside, "asked for {address}");
    }
}

#[test]
fn every_page_in_both_themes_and_widths() {
    let browser = browser!();
    let server = Server::with_three_runs();
    let sent = server.upload("rig.csv", log().as_bytes());
    let run = server.get("/runs").body;
    let at = run.find("/run/").unwrap();
    let (run, dropped) = (run[at..at + 37].to_owned(), sent.location().to_owned());
    let paths = [
        "/",
        "/runs",
        &run,
        "/add",
        &dropped,
        "/models",
        "/what-if",
        "/choose?room_c=34&temp_max_c=90&noise_max_dba=36&loss_max_pct=15",
        "/compare",
        "/plan?runs=2&room_c=34&temp_max_c=90",
    ];
    let mut wrong = Vec::new();
    for path in paths {
        browser.go(&format!("http://{}{path}", server.host));
        browser.js_later(
            "document.fonts.ready.then(() => arguments[0](null))",
            &json!([]),
        );
        for (theme, width) in [
            ("light", 1440),
            ("dark", 1440),
            ("dark", 390),
            ("light", 390),
            ("light", 360),
        ] {
            browser.look(theme, width);
            let found = browser.js(LAYOUT, &json!([]));
            for what in found.as_array().unwrap() {
                wrong.push(format!(
                    "{path}, {theme}, {width} px: {}",
                    what.as_str().unwrap()
                ));
            }
        }
        let console = browser.console();
        assert!(console.is_empty(), "{path}: {console:?}");
    }
    same_site(&server, &browser.requests());
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A log of ten minutes whose power has a name that says nothing.
fn log() -> String {
    let mut text = "time s,channel A,core °C\n".to_owned();
    for second in 0..600 {
        let load = second >= 120;
        let watts = if load { 100 } else { 15 };
        let heat = if load {
            28.0 + 34.0 * (1.0 - (-f64::from(second - 120) / 60.0).exp())
        } else {
            28.0
        };
        writeln!(text, "{second},{watts},{heat:.1}").unwrap();
    }
    text
}

#[test]
fn a_newcomer_gets_to_a_choice_by_clicks_and_keys() {
    let browser = browser!();
    let server = Server::start();
    browser.look("light", 1440);
    browser.go(&server.address);
    browser.keys("#f-name", "attic");
    browser.press(ENTER);
    browser.until("the page to add runs", "location.pathname === '/add'");
    for (pl1, power, package, rpm, level, score) in [
        ("65", "65", "51", "610", "24,4", "27.1"),
        ("125", "125", "71", "1010", "30.6", "38.0"),
        ("181", "181", "85", "1440", "37.8", "44.2"),
    ] {
        browser.keys("#f-workload", "mixdown");
        browser.keys("#f-pl1_w", pl1);
        browser.keys("#f-pl2_w", "253");
        // From field to field by key, in the order in which they are seen.
        browser.keys("#f-tau_s", &format!("56{TAB}"));
        browser.press(&format!("100{TAB}22{TAB}{score}"));
        browser.click("select[name=phase_1] option[value=sustained]");
        browser.click("select[name=phase_2] option[value='']");
        browser.keys("#f-power_w_1", power);
        browser.keys("#f-package_c_1", package);
        browser.keys("#f-fan_speed_rpm_1", rpm);
        browser.keys("#f-level_dba_1", &format!("{level}{ENTER}"));
        browser.until(
            "the run that was added",
            "location.pathname.startsWith('/run/')",
        );
        assert!(browser.text().contains("Added."));
        browser.follow("Add");
        browser.until("the page to add runs", "location.pathname === '/add'");
    }
    browser.follow("Choose");
    browser.until("the bounds", "document.querySelector('#f-noise_max_dba')");
    browser.js("document.querySelector('#f-room_c').value = ''", &json!([]));
    browser.keys("#f-room_c", "34");
    browser.keys("#f-temp_max_c", "90");
    browser.js(
        "document.querySelector('#f-loss_max_pct').value = '25'",
        &json!([]),
    );
    browser.keys("#f-noise_max_dba", &format!("36{ENTER}"));
    browser.until("a recommendation", "document.querySelector('.recommended')");
    let text = browser.text();
    assert!(
        text.contains("PL1 ") && text.contains("keeps every bound"),
        "{text}"
    );
    let folder = tempfile::tempdir().unwrap();
    browser.cdp(
        "Browser.setDownloadBehavior",
        &json!({ "behavior": "allow", "downloadPath": folder.path() }),
    );
    browser.follow("Download the report");
    let report = folder.path().join("attic-report.html");
    let begun = Instant::now();
    while !report.exists() {
        assert!(
            begun.elapsed() < Duration::from_mins(2),
            "no report was saved"
        );
        std::thread::sleep(Duration::from_millis(100));
    }
    let report = std::fs::read_to_string(report).unwrap();
    assert!(report.starts_with("<!DOCTYPE html>") && report.contains("mixdown"));
    same_site(&server, &browser.requests());
    let console = browser.console();
    assert!(console.is_empty(), "{console:?}");
}

#[test]
fn a_log_is_dropped_a_role_corrected_and_the_run_appears() {
    let browser = browser!();
    let server = Server::with_three_runs();
    browser.look("light", 1440);
    browser.go(&format!("http://{}/add", server.host));
    browser.js(
        "const data = new DataTransfer();\
         data.items.add(new File([arguments[0]], 'rig.csv', { type: 'text/csv' }));\
         const at = document.querySelector('[data-drop]');\
         at.dispatchEvent(new DragEvent('drop', { dataTransfer: data, bubbles: true, cancelable: true }));",
        &json!([log()]),
    );
    browser.until("the preview", "location.pathname.startsWith('/add/log/')");
    browser.until(
        "its columns",
        "document.querySelector('select[name=role-2]')",
    );
    let role = "return document.querySelector('select[name=role-2]').value";
    assert_eq!(browser.js(role, &json!([])), "other");
    browser.click("select[name=role-2] option[value=power]");
    browser.click("form[action$='/read'] button");
    browser.until(
        "the correction",
        "document.querySelector('select[name=was-2], input[name=was-2]')?.value === 'power'",
    );
    assert!(browser.text().contains("sustained"));
    browser.keys("#f-run", " at 100 W");
    browser.keys("#f-workload", "mixdown");
    browser.keys("#f-pl1_w", "100");
    browser.keys("#f-room_c", &format!("22{ENTER}"));
    browser.until("the run", "location.pathname.startsWith('/run/')");
    browser.follow("Runs");
    browser.until("the table", "document.querySelector('table.runs')");
    assert!(browser.text().contains("rig at 100 W"));
    let console = browser.console();
    assert!(console.is_empty(), "{console:?}");
}

/// Moves a slider step by step; for each the time from the event to the end of the frame that shows
/// the new picture, ms: a message sent from within a frame arrives when it has been painted. The
/// course has ten thousand steps.
const SLIDE: &str = r"
const [steps, done] = arguments;
const live = document.querySelector('[data-live]');
const slider = document.querySelector('input[type=range][data-of=pl1_w]');
const times = [];
const step = (n) => {
  if (n === 0) return done(times);
  const before = live.dataset.drawn;
  slider.value = String(Number(slider.min) + 20 + (n * 7) % 60);
  const begun = performance.now();
  slider.dispatchEvent(new Event('input', { bubbles: true }));
  const look = () => {
    if (live.dataset.drawn === before) return requestAnimationFrame(look);
    const channel = new MessageChannel();
    channel.port1.onmessage = () => {
      times.push(performance.now() - begun);
      setTimeout(() => step(n - 1), 20);
    };
    channel.port2.postMessage(null);
  };
  requestAnimationFrame(look);
};
step(steps);
";

#[test]
fn the_answer_follows_a_slider() {
    let browser = browser!();
    let server = Server::with_three_runs();
    browser.look("light", 1440);
    let address = format!(
        "http://{}/what-if?pl1_w=120&pl2_w=253&tau_s=56&limit_c=100&room_c=30&minutes=167",
        server.host
    );
    browser.go(&address);
    let before = browser.text();
    browser.keys("input[type=range][data-of=pl1_w]", &RIGHT.repeat(5));
    browser.until("the new address", "location.search.includes('pl1_w=125')");
    let after = browser.text();
    assert_ne!(before, after);
    assert!(after.contains("mixdown under PL1 125"), "{after}");
    let times = browser.js_later(SLIDE, &json!([60]));
    let mut times: Vec<f64> = times
        .as_array()
        .unwrap()
        .iter()
        .filter_map(Value::as_f64)
        .collect();
    assert_eq!(times.len(), 60);
    times.sort_by(f64::total_cmp);
    let (p50, p95) = (times[30], times[57]);
    println!("slider to paint, 10 000 steps: p50 {p50:.0} ms, p95 {p95:.0} ms");
    // A hand feels what takes longer than about a tenth of a second (common practice, no source);
    // a loaded machine with an unoptimised build may take several times what is aimed at, 40 ms.
    assert!(p50 < 300.0, "p50 {p50:.0} ms, p95 {p95:.0} ms");
    // What stands when the hand rests is what the same address gives anew.
    let settled = "return document.querySelector('[data-part=summary] .lead').innerText";
    browser.until("the hand's rest", "new URLSearchParams(location.search).get('pl1_w') === document.querySelector('#f-pl1_w').value");
    let live = browser.js(settled, &json!([]));
    browser.go(&browser.address());
    assert_eq!(browser.js(settled, &json!([])), live);
    let console = browser.console();
    assert!(console.is_empty(), "{console:?}");
}

#[test]
fn arrow_keys_read_a_picture() {
    let browser = browser!();
    let server = Server::with_three_runs();
    browser.look("light", 1440);
    browser.go(&format!(
        "http://{}/what-if?pl1_w=125&pl2_w=253&tau_s=56&limit_c=100&room_c=22&minutes=10",
        server.host
    ));
    browser.keys(".picture.wide", "\u{e010}");
    let read = browser.js(
        "return document.querySelector('.readout').innerText",
        &json!([]),
    );
    let read = read.as_str().unwrap().to_owned();
    assert!(read.contains("Power") && read.contains("Package"), "{read}");
    // The last row of the table is the end of the lines: the same to what a pixel resolves.
    let watts: f64 = read
        .split("Power ")
        .nth(1)
        .unwrap()
        .split(' ')
        .next()
        .unwrap()
        .parse()
        .unwrap();
    let row = browser.js(
        "const rows = document.querySelectorAll('figure details tbody tr');\
         return [...rows[rows.length - 1].children].map((c) => c.textContent)",
        &json!([]),
    );
    let table: f64 = row[1].as_str().unwrap().parse().unwrap();
    // A panel of some 90 px spans 150 W or so; paths have a decimal of a pixel.
    assert!(
        (watts - table).abs() < 1.5,
        "{watts} W read, {table} W in the table"
    );
}

#[test]
fn dragging_across_a_run_shows_a_part_of_it() {
    let browser = browser!();
    let server = Server::with_three_runs();
    let place = server
        .upload("rig.csv", log().as_bytes())
        .location()
        .to_owned();
    server.post(
        &format!("{place}/read"),
        &[("role-2", "power"), ("was-2", "other"), ("mark-2", "")],
    );
    let kept = server.post(
        &format!("{place}/keep"),
        &[("run", "rig"), ("workload", "mixdown"), ("room_c", "22")],
    );
    browser.look("light", 1440);
    browser.go(&format!("http://{}{}", server.host, kept.location()));
    browser.js(
        "const at = document.querySelector('.picture.wide');\
         const plot = at.querySelector('g.plot').dataset;\
         const box = at.querySelector('svg').getBoundingClientRect();\
         const scale = box.width / at.querySelector('svg').viewBox.baseVal.width;\
         const x = (share) => box.left + scale * (Number(plot.xFrom) + share * (plot.xTo - plot.xFrom));\
         const send = (kind, share) => at.dispatchEvent(new PointerEvent(kind,\
           { clientX: x(share), clientY: box.top + 50, bubbles: true, button: 0 }));\
         send('pointermove', 0.25); send('pointerdown', 0.25);\
         send('pointermove', 0.75); send('pointerup', 0.75);",
        &json!([]),
    );
    browser.until("the part", "location.search.includes('from_min')");
    let ends = browser.js(
        "const plot = document.querySelector('.picture.wide g.plot').dataset;\
         return [Number(plot.xLo), Number(plot.xHi)]",
        &json!([]),
    );
    // A quarter and three quarters of 599 s; a pixel is most of a second, the address has hundredths of
    // a minute.
    assert!((ends[0].as_f64().unwrap() - 149.75).abs() < 1.5, "{ends}");
    assert!((ends[1].as_f64().unwrap() - 449.25).abs() < 1.5, "{ends}");
}

#[test]
fn without_script_the_pages_still_work() {
    let browser = browser!();
    let server = Server::with_three_runs();
    browser.look("light", 1440);
    browser.cdp(
        "Emulation.setScriptExecutionDisabled",
        &json!({ "value": true }),
    );
    browser.go(&format!("http://{}/runs", server.host));
    browser.follow("What if");
    browser.keys("#f-minutes", "\u{e009}a\u{e000}20");
    browser.click("button.main");
    let begun = Instant::now();
    while !browser.address().contains("minutes=20") {
        assert!(
            begun.elapsed() < Duration::from_secs(20),
            "{}",
            browser.address()
        );
        std::thread::sleep(Duration::from_millis(50));
    }
    browser.cdp(
        "Emulation.setScriptExecutionDisabled",
        &json!({ "value": false }),
    );
    assert!(browser.text().contains("Settles at"));
}
