//! Reports: one file that asks for nothing, holds what the other commands say, and nothing else.

use std::collections::BTreeSet;

use crate::support::Desk;

/// An invented log of an hour and a quarter, a row a second: rest, boost, sustained load. Readings
/// scatter, as that is what makes pictures large.
fn log(watts: f64, columns: [&str; 4]) -> String {
    let mut text = format!("time s,{}\n", columns.join(","));
    let mut state = 17_u64;
    let mut noise = || {
        // Knuth, The Art of Computer Programming, vol. 2, 3.3.4, line 26.
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(state >> 40).expect("24 bits")) / f64::from(1_u32 << 24) - 0.5
    };
    let (mut temp_c, mut slow_k) = (30.0, 0.0);
    for second in 0..4500 {
        let power_w = match second {
            0..300 => 17.0,
            300..330 => 210.0,
            _ => watts,
        } + 2.0 * noise();
        slow_k += (0.2 * power_w - slow_k) / 150.0;
        temp_c += (22.0 + slow_k + 0.18 * power_w - temp_c) / 8.0;
        let speed_rpm = (500.0 + 18.0 * (temp_c - 45.0).max(0.0)).min(1600.0) + 12.0 * noise();
        text += &format!(
            "{second},{power_w:.1},{:.0},{speed_rpm:.0},{:.1}\n",
            temp_c + noise(),
            22.0 + 0.4 * noise()
        );
    }
    text
}

const COLUMNS: [&str; 4] = ["package W", "package °C", "fan rpm", "room °C"];

/// Three logged runs with scores.
fn three_logs() -> Desk {
    let desk = Desk::with_notebook();
    for (watts, score) in [(65, "27.4"), (125, "38.2"), (181, "44.2")] {
        let file = format!("{watts}.csv");
        desk.write(&file, log(f64::from(watts), COLUMNS));
        let (name, pl1) = (format!("{watts} W"), watts.to_string());
        let said = desk.run([
            "add",
            "log",
            "a.settle",
            &file,
            "--name",
            &name,
            "--workload",
            "mixdown",
            "--pl1",
            &pl1,
            "--pl2",
            "253",
            "--tau",
            "56",
            "--temp-limit",
            "100",
            "--score",
            score,
        ]);
        assert_eq!(said.code, Some(0), "{said:?}");
    }
    desk
}

fn report(desk: &Desk, more: &[&str]) -> String {
    desk.run(["report", "a.settle", "-o", "r.html"].iter().chain(more))
        .ok();
    std::fs::read_to_string(desk.path("r.html")).expect("the report")
}

/// Leaves out what takes long.
const QUICK: [&str; 2] = ["--without", "models,held-out,choice,summary,runs"];

/// Values of an attribute.
fn values<'a>(html: &'a str, attribute: &str) -> Vec<&'a str> {
    html.split(&format!(" {attribute}=\""))
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect()
}

#[test]
fn a_report_is_one_file_of_600_kb_that_asks_for_nothing() {
    let desk = three_logs();
    let html = report(&desk, &["--room", "34", "--temp-max", "90"]);
    assert!(html.len() < 600_000, "{} bytes", html.len());
    assert!(html.starts_with("<!DOCTYPE html>"));
    // Ten charts and more, each with a table.
    let charts: BTreeSet<&str> = values(&html, "data-chart").into_iter().collect();
    for name in [
        "run",
        "map",
        "capacity",
        "work",
        "trade-off",
        "held-out",
        "fan-curve",
    ] {
        assert!(charts.contains(name), "{name} in {charts:?}");
    }
    assert_eq!(
        html.matches("<figure>").count(),
        html.matches("<details><summary>").count()
    );
    // Nothing is fetched: no address but of the SVG namespace, no tag that loads, styles only from
    // data, and a policy that would refuse the rest.
    assert!(html.contains("content=\"default-src 'none'"));
    for tag in [
        "<script", "<link", "<img", "<iframe", "<object", "<embed", "<base", "<form", "@import",
    ] {
        assert!(!html.contains(tag), "{tag}");
    }
    let addresses = html.replace("http://www.w3.org/2000/svg", "");
    assert!(!addresses.contains("://"));
    assert!(
        html.split("url(")
            .skip(1)
            .all(|u| u.starts_with("data:font/woff2;base64,"))
    );
    assert!(values(&html, "src").is_empty());
    // Links lead to sections that are there, and no id is there twice.
    let ids = values(&html, "id");
    let distinct: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), distinct.len());
    let links = values(&html, "href");
    assert!(links.len() >= 10);
    for link in links {
        assert!(
            distinct.contains(link.strip_prefix('#').expect("within the page")),
            "{link}"
        );
    }
    for bad in ["NaN", "inf,", "undefined", "None"] {
        assert!(!html.contains(bad), "{bad}");
    }
}

#[test]
fn a_report_says_what_choose_and_review_say() {
    let desk = Desk::with_three_runs();
    let bounds = [
        "--room",
        "30",
        "--temp-max",
        "85",
        "--loss-max",
        "25",
        "--noise-max",
        "36",
    ];
    let html = report(&desk, &bounds);
    let chosen = desk.json(["choose", "a.settle"].iter().chain(&bounds));
    let best = &chosen["recommended"];
    assert!(best["pl1_w"].is_number(), "{chosen}");
    for reason in best["reasons"].as_array().expect("reasons") {
        let reason = reason.as_str().expect("a sentence").replace(' ', "");
        let plain = html.replace(['\u{a0}', ' '], "");
        assert!(plain.contains(&reason), "{reason}");
    }
    let first = format!("Set PL1\u{20}{}\u{a0}W", best["pl1_w"]);
    assert!(html.contains(first.trim_end_matches(".0")) || html.contains(&first.replace(".0", "")));
    let review = desk.json(["review", "a.settle"]);
    for finding in review["findings"].as_array().expect("findings") {
        let evidence = finding["evidence"].as_str().expect("evidence");
        let evidence = evidence.trim_end_matches('.').replace('\'', "&#39;");
        assert!(
            html.contains(&evidence) || html.contains(&evidence.replace("&#39;", "'")),
            "{evidence}"
        );
    }
    // The hash names what the notebook holds, whatever is asked.
    let hash = |html: &str| {
        let from = html
            .split("<dt>Content, SHA-256</dt><dd>")
            .nth(1)
            .expect("a hash");
        from[..64].to_owned()
    };
    assert!(hash(&html).chars().all(|c| c.is_ascii_hexdigit()));
    assert_eq!(hash(&html), hash(&report(&desk, &QUICK)));
    let anonymous: Vec<&str> = QUICK.iter().copied().chain(["--anonymous"]).collect();
    assert_eq!(hash(&html), hash(&report(&desk, &anonymous)));
    desk.run(["exclude", "a.settle", "mid", "--reason", "window open"])
        .ok();
    let without = report(&desk, &QUICK);
    assert_ne!(hash(&html), hash(&without));
    assert!(without.contains("mid: Window open."));
}

#[test]
fn sections_can_be_left_out_but_not_the_cautions() {
    let desk = Desk::with_three_runs();
    let all = report(&desk, &[]);
    let sections = [
        "summary",
        "conditions",
        "method",
        "runs",
        "findings",
        "models",
        "held-out",
        "choice",
        "unknown",
    ];
    for section in sections {
        assert!(
            all.contains(&format!("<section id=\"{section}\"")),
            "{section}"
        );
    }
    let bare = report(&desk, &["--without", &sections.join(",")]);
    let ids: Vec<&str> = values(&bare, "id");
    assert_eq!(
        ids,
        [
            "cautions",
            "cautions-heading",
            "provenance",
            "provenance-heading"
        ]
    );
    assert!(bare.contains("Heat sinks burn") && bare.len() < 70_000);
    let wish = |section: &str| {
        desk.run(["report", "a.settle", "-o", "x.html", "--without", section])
            .refused(2)
    };
    wish("cautions");
    wish("nonsense").saying(&["held-out"]);
    desk.run(["report", "a.settle", "-o", "x.pdf"])
        .refused(2)
        .saying(&[".html or .md"]);
    desk.run(["report", "a.settle", "-o", "nowhere/x.html"])
        .refused(5)
        .saying(&["nowhere", "check the path"]);
    assert!(desk.names().iter().all(|name| !name.starts_with("x.")));
}

/// What a name may hold to break out of text, attribute, style, comment or Markdown.
const NASTY: &str = "\"><script>alert(1)</script></style></svg><!-- ' & ](http://x.invalid) | `*_#";

#[test]
fn markup_in_names_is_text() {
    let desk = Desk::with_notebook();
    let quoted = format!("\"{}\"", NASTY.replace('"', "\"\""));
    let table = format!(
        "run,machine,cooling,setting,pl1_w,workload,room_c,phase,power_w,package_c,fan_speed_rpm,level_dba,score\n\
         {quoted},{quoted},{quoted},{quoted},65,{quoted},21,sustained,65,52,700,28,20.1\n\
         b,{quoted},{quoted},b,125,{quoted},21,sustained,125,70,1100,33,28.9\n"
    );
    desk.add_readings(table).ok();
    desk.run(["exclude", "a.settle", "b", "--reason", NASTY])
        .ok();
    let html = report(&desk, &[]);
    for tag in ["<script", "<!--", "</style></svg>", "href=\"http"] {
        assert!(!html.contains(tag), "{tag}");
    }
    assert_eq!(html.matches("</style>").count(), 1);
    assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    desk.run(["report", "a.settle", "-o", "r.md"]).ok();
    let text = std::fs::read_to_string(desk.path("r.md")).expect("the report");
    assert!(
        text.contains("\\<script\\>") && !text.replace("\\<", "").contains("<script"),
        "{text}"
    );
    assert!(!text.replace("\\](", "").contains("](http"), "{text}");
}

#[test]
fn markdown_has_its_charts_beside_it() {
    let desk = Desk::with_three_runs();
    let answer = desk.json(["report", "a.settle", "-o", "my report.md"]);
    assert_eq!(answer["schema"], "settlepoint.report/1");
    let text = std::fs::read_to_string(desk.path("my report.md")).expect("the report");
    let links: Vec<&str> = text
        .split("](")
        .skip(1)
        .filter_map(|rest| rest.split(')').next())
        .collect();
    assert!(links.len() >= 6, "{links:?}");
    for link in &links {
        let svg = std::fs::read_to_string(desk.path(&link.replace("%20", " "))).expect(link);
        assert!(svg.starts_with("<svg") && !svg.contains("var("));
    }
    assert_eq!(
        answer["files"].as_array().map(Vec::len),
        Some(links.len() + 1)
    );
    // Tables are tables: every line of one has as many cells.
    for block in text.split("\n\n").filter(|b| b.starts_with('|')) {
        let cells = |line: &str| line.replace("\\|", "").matches('|').count();
        let first = block.lines().next().map(cells);
        assert!(
            block.lines().all(|line| Some(cells(line)) == first),
            "{block}"
        );
    }
    // The ending decides, or --md.
    desk.run(["report", "a.settle", "--md", "-o", "plain.txt"])
        .ok();
    let plain = std::fs::read_to_string(desk.path("plain.txt")).expect("the report");
    assert!(plain.starts_with("# "));
}

/// A word that the program itself never uses.
const MARK: &str = "Zwetschge";

/// Runs a command line, whose words have no spaces, with `@` for the mark.
fn say(desk: &Desk, line: &str) {
    let line = line.replace('@', &format!("{MARK}-"));
    let said = desk.run(line.split_whitespace());
    assert_eq!(said.code, Some(0), "{line}: {said:?}");
}

/// A notebook in which everything that can have a name, a note or a reason bears the mark.
fn marked() -> Desk {
    let desk = Desk::with_notebook();
    say(
        &desk,
        "add machine a.settle @tower --model @T1 --serial @7 --notes @desk",
    );
    say(&desk, "add cooling a.settle @fans --notes @paste");
    say(&desk, "add tune a.settle @undervolt --notes @-50mV");
    say(
        &desk,
        "add workload a.settle @mixdown --unit @tracks --hours 9",
    );
    say(&desk, "add workload a.settle @rest --idle --hours 30");
    let columns = COLUMNS.map(|c| format!("{MARK} {c}"));
    for (watts, name) in [(65_u32, "low"), (125, "mid"), (181, "high")] {
        let limits = format!("--pl1 {watts} --pl2 253 --tau 56 --temp-limit 100");
        say(&desk, &format!("add setting a.settle @{name} {limits}"));
        let log = log(f64::from(watts), columns.each_ref().map(String::as_str));
        desk.write(&format!("{MARK}-{watts}.csv"), log);
        let of =
            "--machine @tower --cooling @fans --tune @undervolt --workload @mixdown --score 27";
        say(
            &desk,
            &format!("add log a.settle @{watts}.csv --name @{name} --setting @{name} {of}"),
        );
    }
    // A run without watts is named by what is not known.
    let table = "run,machine,cooling,workload,pl1_w,phase,package_c\n\
                 @x,@tower,@fans,@mixdown,150,sustained,80\n";
    desk.add_readings(table.replace('@', &format!("{MARK}-")))
        .ok();
    say(&desk, "exclude a.settle @mid --reason @ill");
    desk
}

/// Nothing that the owner typed, and no name of a file or column, is in an anonymous report.
#[test]
fn an_anonymous_report_names_nothing() {
    let desk = marked();
    let open = report(&desk, &["--without", "models,held-out"]);
    assert!(
        open.matches(MARK).count() > 20,
        "the report itself names everything"
    );
    assert!(
        !open.contains("Zwetschge-7"),
        "a serial is nobody's business"
    );
    let wish = "report a.settle --anonymous --machine @tower --cooling @fans --workload @mixdown";
    for file in ["anonymous.html", "anonymous.md"] {
        say(&desk, &format!("{wish} -o {file}"));
        let text = std::fs::read_to_string(desk.path(file)).expect("the report");
        assert!(!text.contains(MARK), "{text}");
        for word in ["the machine with cooling A", "run 1", "workload A"] {
            assert!(text.contains(word), "{word} in {text}");
        }
        assert!(!text.contains("a.settle"));
    }
    for name in crate::support::names_in(&desk.path("anonymous-charts")) {
        let path = desk.path("anonymous-charts").join(name);
        let svg = std::fs::read_to_string(path).expect("a chart");
        assert!(!svg.contains(MARK));
    }
    // The notebook is as it was.
    let runs = desk.runs();
    let named = |r: &serde_json::Value| r["name"].as_str().is_some_and(|n| n.contains(MARK));
    assert!(runs.len() == 4 && runs.iter().all(named));
}

#[test]
fn little_is_reported_as_far_as_it_goes() {
    let desk = Desk::with_notebook();
    desk.run(["report", "a.settle", "-o", "r.html"])
        .refused(4)
        .saying(&["empty"]);
    desk.run(["report", "none.settle", "-o", "r.html"])
        .refused(2)
        .saying(&["no such notebook"]);
    // Scores alone can be compared.
    desk.write(
        "scores.csv",
        "setting,workload,score,unit\n\
        stock,render,995,frames/h\nstock,render,1000,frames/h\nstock,render,1005,frames/h\n\
        quiet,render,857,frames/h\nquiet,render,862,frames/h\nquiet,render,866,frames/h\n",
    );
    desk.run(["add", "scores", "a.settle", "scores.csv"]);
    let html = report(&desk, &[]);
    assert!(html.contains("data-chart=\"forest\"") && html.contains("There is no recommendation"));
    assert!(html.contains("slower"));
    // One run under load, typed without anything but a temperature.
    let desk = Desk::with_notebook();
    desk.add_readings("run,pl1_w,phase,package_c\na,65,sustained,52\n")
        .ok();
    let html = report(&desk, &[]);
    assert!(html.contains("is assumed") && html.contains("What is not known"));
    assert!(!html.contains("NaN"));
    // Idle use alone.
    let desk = Desk::with_notebook();
    desk.run(["add", "workload", "a.settle", "rest", "--idle"])
        .ok();
    desk.add_readings("run,workload,phase,power_w,package_c\na,rest,idle,12,38\n")
        .ok();
    let html = report(&desk, &[]);
    assert!(html.contains("There is no recommendation"));
}
