//! `compare`, `review` and `rank` as their user meets them.

use serde_json::Value;

use crate::support::Desk;

/// Three repetitions each: 13.8 % less under 125 W, and a one-core job that differs by 0.1 %.
const SCORES: &str = "\
setting,workload,score,unit
stock,render,995,frames/h
stock,render,1000,frames/h
stock,render,1005,frames/h
125 W,render,857.7,frames/h
125 W,render,862,frames/h
125 W,render,866.3,frames/h
stock,one core,511,pt
stock,one core,512,pt
stock,one core,513,pt
125 W,one core,510.5,pt
125 W,one core,511.5,pt
125 W,one core,512.5,pt
stock,export,21840,pt
125 W,export,21032,pt
";

fn row<'a>(answer: &'a Value, workload: &str) -> &'a Value {
    let rows = answer["rows"].as_array().expect("rows");
    rows.iter()
        .find(|r| r["workload"] == workload)
        .expect("the workload")
}

#[test]
fn a_table_of_scores_gives_verdicts() {
    let desk = Desk::new();
    desk.write("scores.csv", SCORES);
    let answer = desk.json(["compare", "--table", "scores.csv", "stock", "125 W"]);
    assert_eq!(answer["schema"], "settlepoint.compare/1");
    let render = row(&answer, "render");
    assert_eq!(render["verdict"], "slower");
    let ratio = render["ratio"]["value"].as_f64().expect("a ratio");
    assert!((ratio - 0.862).abs() < 1e-4 && render["repeats_needed"].is_null());
    assert_eq!(row(&answer, "one core")["verdict"], "same");
    let export = row(&answer, "export");
    assert_eq!(export["verdict"], "cannot_tell");
    assert_eq!(export["base"], "stock");
    // The spread of the repeated workloads speaks for the one that is not.
    assert_eq!(
        export["repeats_at_spreads"].as_array().expect("one").len(),
        1
    );
    assert!(export["repeats_needed"].as_u64().expect("known spread") <= 3);
    let overall = &answer["overall"];
    assert_eq!(
        (&overall["any_differs"], &overall["same_everywhere"]),
        (&Value::from(true), &Value::from(false))
    );
    assert_eq!(
        overall["verdict"], "cannot_tell",
        "a workload without repetitions leaves it open"
    );
}

#[test]
fn margin_direction_and_pairs_are_the_owners() {
    let desk = Desk::new();
    desk.write("times.csv", "setting,workload,score\na,job,60\na,job,60.2\na,job,60.1\nb,job,63\nb,job,63.2\nb,job,63.1\nc,job,60\nc,job,60.1\nc,job,60.2\n");
    let table = ["compare", "--table", "times.csv"];
    let slower = desk.json(table.into_iter().chain(["--lower-is-better"]));
    assert_eq!(slower["rows"][0]["verdict"], "slower");
    let wide = desk.json(table.into_iter().chain(["--margin", "8"]));
    assert_eq!(wide["rows"][0]["verdict"], "same");
    let all = desk.json(table.into_iter().chain(["--all-pairs"]));
    assert_eq!(all["rows"].as_array().expect("rows").len(), 3);
    let unknown = desk.run(table.into_iter().chain(["a", "z"]));
    unknown.refused(2).saying(&["'z'", "a, b, c"]);
    desk.run(["compare"]).refused(2).saying(&["--table"]);
}

#[test]
fn levels_are_compared_in_decibels() {
    let desk = Desk::new();
    desk.write("levels.csv", "setting,workload,score,unit\nstock,noise,36.1,dB(A)\nstock,noise,36.3,dB(A)\n125 W,noise,31.0,dB(A)\n125 W,noise,31.2,dB(A)\n");
    let answer = desk.json(["compare", "--table", "levels.csv"]);
    let noise = row(&answer, "noise");
    assert_eq!(noise["verdict"], "quieter");
    assert!(
        noise.get("ratio").is_none(),
        "a ratio of decibels has no meaning"
    );
    let difference = noise["difference_db"]["value"].as_f64().expect("dB");
    assert!((difference + 5.1).abs() < 1e-9);
    let text = desk.run(["compare", "--table", "levels.csv"]).ok();
    assert!(
        text.out.contains("-5.1 dB") && !text.out.contains("-14"),
        "{}",
        text.out
    );
}

/// 8 ms a frame with a ripple, a tenth of them long; the other side 10 % slower.
fn frames(factor: f64, header: &str, scale: f64) -> String {
    let mut text = format!("{header}\n");
    let mut state = 1_u32;
    for _ in 0..6000 {
        // A small congruential generator (Numerical Recipes): any scatter will do.
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let uniform = f64::from(state >> 8) / f64::from(1 << 24);
        let long = if uniform > 0.9 { 6.0 } else { 0.0 };
        text += &format!("{}\n", scale * factor * (8.0 + uniform + long));
    }
    text
}

#[test]
fn frame_times_are_compared_whatever_their_unit() {
    let desk = Desk::new();
    desk.write("a.csv", frames(1.0, "frame_time_ms", 1.0));
    desk.write("b.csv", frames(1.1, "frame time (us)", 1000.0));
    let args = [
        "compare",
        "--frames",
        "stock=a.csv",
        "--frames",
        "125 W=b.csv",
    ];
    let answer = desk.json(args);
    let rate = row(&answer, "mean_rate_per_s");
    assert_eq!(rate["verdict"], "slower");
    let ratio = rate["ratio"]["value"].as_f64().expect("a ratio");
    assert!((ratio - 1.0 / 1.1).abs() < 1e-9, "{ratio}");
    let tail = row(&answer, "exceeded_by_1_pct_ms");
    assert!((tail["ratio"]["value"].as_f64().expect("a ratio") - 1.1).abs() < 1e-9);
    assert_eq!(answer["frames"][0]["frames"], 6000);
    let text = desk.run(args).ok();
    assert!(
        text.out.contains("microseconds a frame, by its header"),
        "{}",
        text.out
    );
    desk.run(["compare", "--frames", "stock=a.csv"])
        .refused(2)
        .saying(&["once more"]);
}

#[test]
fn a_notebook_is_compared_reviewed_and_ranked() {
    let desk = Desk::with_three_runs();
    let single = desk.json(["compare", "a.settle", "high", "low"]);
    assert_eq!(single["rows"][0]["verdict"], "cannot_tell");
    assert_eq!(
        single["rows"][0]["repeats_at_spreads"]
            .as_array()
            .expect("four")
            .len(),
        4
    );
    assert_eq!(single["findings"][0]["rule"], "one_repetition");
    let review = desk.run(["review", "a.settle", "--deny", "warning", "--json"]);
    assert_eq!(review.code, Some(1));
    assert_eq!(review.object()["findings"][0]["rule"], "one_repetition");
    desk.run(["review", "a.settle", "--deny", "error"]).ok();
    desk.run(["exclude", "a.settle", "low", "--reason", "window open"])
        .ok();
    let left = desk.json(["review", "a.settle"]);
    assert_eq!(left["excluded"][0]["reason"], "window open");
    let compared = desk.json(["compare", "a.settle", "high", "mid"]);
    assert_eq!(compared["excluded"][0]["run"], "low");
    let ranked = desk.json([
        "rank", "a.settle", "--tariff", "0.3", "--hours", "10", "--supply", "0.9",
    ]);
    let first = &ranked["rows"][0];
    assert_eq!(
        (&first["run"], &first["work_rel"]),
        (&Value::from("high"), &Value::from(1.0))
    );
    assert_eq!(first["margin_k"], 12.0);
    let wall_w = first["wall_w"].as_f64().expect("W");
    assert!((wall_w - 181.0 / 0.9).abs() < 1e-6);
    // 10 hours a week for a mean year at 0.3 a kWh.
    let cost = first["cost_per_year"].as_f64().expect("a cost");
    assert!((cost - wall_w / 1000.0 * 10.0 * 52.1775 * 0.3).abs() < 1e-6);
    let cool = desk.json(["rank", "a.settle", "--sort", "plateau"]);
    assert_eq!(cool["rows"][0]["run"], "low");
    let csv = desk.run(["rank", "a.settle", "--as", "csv"]).ok();
    assert!(
        csv.out.starts_with("run,workload,setting,work_rel"),
        "{}",
        csv.out
    );
    let markdown = desk.run(["rank", "a.settle", "--as", "markdown"]).ok();
    assert!(
        markdown.out.lines().all(|l| l.starts_with('|')),
        "{}",
        markdown.out
    );
    desk.run(["rank", "a.settle", "--supply", "88"])
        .refused(2)
        .saying(&["0.2 to 1"]);
}

#[test]
fn a_log_is_reviewed_without_a_notebook() {
    let desk = Desk::new();
    let mut text = String::from("time_s,power_w,package_c,room_c\n");
    for t in 0..400 {
        let load = t >= 100;
        let rise = if load {
            40.0 * (1.0 - (-f64::from(t - 100) / 12.0).exp())
        } else {
            0.0
        };
        let room = 20.0 + 5.0 * f64::from(t) / 400.0;
        text += &format!(
            "{t},{},{:.1},{room:.2}\n",
            if load { 90 } else { 10 },
            25.0 + rise
        );
    }
    desk.write("log.csv", &text);
    let found = desk.run(["review", "log.csv", "--deny", "warning", "--json"]);
    assert_eq!(found.code, Some(1));
    let rules = found.object()["findings"].to_string();
    assert!(rules.contains("room_drift"), "{rules}");
    desk.run(["review", "log.csv", "--deny", "fatal"])
        .refused(2)
        .saying(&["note, warning or error"]);
}

#[test]
fn frame_times_are_kept_in_notebooks_and_compared_there() {
    let desk = Desk::with_three_runs();
    desk.write("a.csv", frames(1.0, "frame_time_ms", 1.0));
    desk.write("b.csv", frames(1.1, "frame time (us)", 1000.0));
    let add = |more: &[&str]| {
        let args = ["add", "frames", "a.settle"].into_iter();
        desk.run(args.chain(more.iter().copied()))
    };
    desk.run(["add", "workload", "a.settle", "preview", "--loss-max", "12"])
        .ok();
    add(&["a.csv", "--setting", "high", "--workload", "preview"]).ok();
    let said = add(&["b.csv", "--setting", "low", "--workload", "preview"]).ok();
    assert!(
        said.out.contains("added frames 'low preview'"),
        "{}",
        said.out
    );
    let answer = desk.json(["compare", "a.settle", "high", "low", "--long-frame", "15"]);
    let metric = |answer: &Value, name: &str| {
        let rows = answer["rows"].as_array().expect("rows");
        rows.iter()
            .find(|r| r["metric"] == name)
            .expect("a metric")
            .clone()
    };
    let rate = metric(&answer, "mean_rate_per_s");
    assert_eq!(rate["workload"], "preview");
    // The workload's own limit of 12 % is the margin, and the loss is 9.1 %.
    assert_eq!(rate["verdict"], "same");
    let ratio = rate["ratio"]["value"].as_f64().expect("a ratio");
    assert!((ratio - 1.0 / 1.1).abs() < 1e-9, "{ratio}");
    // The scores of the other workload stand beside it.
    assert_eq!(row(&answer, "mixdown")["verdict"], "cannot_tell");
    assert_eq!(answer["overall"]["any_differs"], true);
    assert_eq!(answer["frames"][0]["frames"], 6000);
    assert!(answer["frames"][1]["longer_than_limit"].as_u64() > Some(0));
    let narrow = [
        "compare",
        "a.settle",
        "high",
        "low",
        "--workload",
        "preview",
    ];
    let alone = desk.json(narrow.into_iter().chain(["--margin", "1"]));
    assert_eq!(metric(&alone, "mean_rate_per_s")["verdict"], "slower");
    assert_eq!(alone["overall"]["verdict"], "slower");
    let text = desk.run(narrow).ok().out;
    assert!(
        text.starts_with("preview, frame times of low against high"),
        "{text}"
    );
    // What is kept is compared as what is in files.
    let files = desk.json([
        "compare",
        "--frames",
        "high=a.csv",
        "--frames",
        "low=b.csv",
        "--margin",
        "12",
    ]);
    for key in ["ratio", "interval_95", "p_difference"] {
        assert_eq!(
            metric(&files, "exceeded_by_1_pct_ms")[key],
            metric(&answer, "exceeded_by_1_pct_ms")[key]
        );
    }
    // A second recording of each makes recordings the observations.
    let again = add(&["a.csv", "--setting", "high", "--workload", "preview"]).ok();
    assert!(again.out.contains("same_file"), "{}", again.out);
    add(&["b.csv", "--run", "low preview"]).ok();
    desk.run(narrow).refused(3).saying(&["given twice"]);
    desk.run(["fit", "a.settle"]).ok();
}

#[test]
fn frames_of_no_run_are_refused_with_nothing_added() {
    let desk = Desk::with_three_runs();
    desk.write("a.csv", frames(1.0, "ms", 1.0));
    desk.write("bad.csv", "ms\n9\n8\n");
    let before = std::fs::read(desk.path("a.settle")).expect("bytes");
    let add = |more: &[&str]| {
        let args = ["add", "frames", "a.settle"].into_iter();
        desk.run(args.chain(more.iter().copied()))
    };
    add(&["a.csv"]).refused(2).saying(&["--run", "--setting"]);
    add(&["a.csv", "--run", "none"])
        .refused(2)
        .saying(&["'none'", "'low', 'mid', 'high'"]);
    add(&["a.csv", "--run", "low", "--setting", "high"])
        .refused(2)
        .saying(&["'low'", "--setting"]);
    add(&["bad.csv", "--run", "low"])
        .refused(3)
        .saying(&["2 frames", "100"]);
    assert_eq!(std::fs::read(desk.path("a.settle")).expect("bytes"), before);
}

/// Two runs of each setting in turns, timed; the second run of each begins the afternoon.
const NAMED: &str = "\
run,setting,workload,score,time
morning stock,stock,mixdown,44.2,2026-03-01 10:00
morning quiet,quiet,mixdown,38.1,2026-03-01 10:10
morning stock,stock,mixdown,44.1,2026-03-01 10:20
morning quiet,quiet,mixdown,38.0,2026-03-01 10:30
evening stock,stock,mixdown,44.0,2026-03-01 18:00
evening quiet,quiet,mixdown,38.2,2026-03-01 18:10
";

#[test]
fn scores_name_their_run_and_time() {
    let desk = Desk::with_notebook();
    let add = |table: &str| desk.feed(["add", "scores", "a.settle", "-"], table.as_bytes());
    add(NAMED).ok();
    let names: Vec<Value> = desk.runs().iter().map(|r| r["name"].clone()).collect();
    assert_eq!(
        names,
        [
            "morning stock",
            "morning quiet",
            "evening stock",
            "evening quiet"
        ]
    );
    let compared = desk.json(["compare", "a.settle", "stock", "quiet"]);
    assert_eq!(compared["rows"][0]["n_base"], 3);
    let by_run = desk.json([
        "compare",
        "a.settle",
        "morning stock",
        "evening stock",
        "--by",
        "run",
    ]);
    assert_eq!(by_run["rows"][0]["n_other"], 1);
    // Without a name it cannot be told which of the two.
    add("setting,workload,score\nstock,mixdown,44.3\n")
        .refused(2)
        .saying(&["'morning stock', 'evening stock'", "column 'run'"]);
    add("run,score\nevening stock,44.3\n").ok();
    add("run,setting,score\nevening stock,quiet,44.3\n")
        .refused(2)
        .saying(&["evening stock", "'stock'", "'quiet'"]);
    // A new workload counts as its unit usually does.
    add("setting,workload,score,unit\nstock,bounce,61,s\nquiet,bounce,66,s\n").ok();
    let bounce = desk.json([
        "compare",
        "a.settle",
        "stock",
        "quiet",
        "--workload",
        "bounce",
    ]);
    assert_eq!(bounce["rows"][0]["direction"], "lower");
    add("run,score\nnight,44.3\n")
        .refused(2)
        .saying(&["'night'"]);
    add("setting,workload,score,time\nstock,mixdown,44.3,soon\n")
        .refused(3)
        .saying(&["line 2", "time", "soon", "14:05"]);
    // What is exported reads in again, times and all.
    desk.run(["export", "a.settle", "--to", "out"]).ok();
    let scores = std::fs::read_to_string(desk.path("out/scores.csv")).expect("scores");
    assert!(scores.contains("2026-03-01 18:10:00"), "{scores}");
    desk.run(["new", "b.settle"]).ok();
    desk.run(["add", "scores", "b.settle", "out/scores.csv"])
        .ok();
    let again = desk.json(["compare", "b.settle", "stock", "quiet"]);
    let first = desk.json(["compare", "a.settle", "stock", "quiet"]);
    assert_eq!(again["rows"], first["rows"]);
}

#[test]
fn a_table_is_reviewed_as_a_notebook_is() {
    let desk = Desk::new();
    let rules = |table: &str| -> Vec<String> {
        desk.write("t.csv", table);
        let answer = desk.json(["compare", "--table", "t.csv"]);
        let found = answer["findings"].as_array().expect("findings");
        found
            .iter()
            .filter_map(|f| f["rule"].as_str().map(str::to_owned))
            .collect()
    };
    assert_eq!(rules(NAMED), Vec::<String>::new());
    let apart = "setting,score,time\na,44.2,10:00\na,44.1,10:10\na,44.3,10:20\nb,38.1,10:30\nb,38.0,10:40\nb,38.2,10:50\n";
    assert_eq!(rules(apart), ["order_confounded"]);
    assert_eq!(
        rules("setting,score\na,44.2\na,44.1\nb,38.1\n"),
        ["one_repetition"]
    );
    let falling =
        "setting,score,order\na,44.0,1\nb,38.0,2\na,43.6,3\nb,37.6,4\na,43.1,5\nb,37.3,6\n";
    assert_eq!(rules(falling), ["score_drift"]);
}

#[test]
fn what_a_log_shows_and_who_was_left_out_stands_beside_every_answer() {
    let desk = Desk::with_three_runs();
    // Held by temperature and flagged: 400 s at 95 °C.
    let mut log = "time_s,package power W,package temperature C,throttle\n".to_owned();
    for t in 0..600 {
        let held = t > 200;
        let temp = if held {
            95.0
        } else {
            40.0 + 0.27 * f64::from(t)
        };
        let power = if t < 60 { 15.0 } else { 120.0 };
        log += &format!("{t},{power},{temp:.1},{}\n", u8::from(held));
    }
    desk.write("hot.csv", log);
    let args = "add log a.settle hot.csv --name hot --workload mixdown --pl1 150 --pl2 253 --tau 56 --temp-limit 95 --score 30.1 --room 21";
    desk.run(args.split(' ')).ok();
    let compared = desk.json(["compare", "a.settle"]);
    let has = |answer: &Value, rule: &str| {
        let found = answer["findings"].as_array().expect("findings");
        found.iter().any(|f| f["rule"] == rule && f["run"] == "hot")
    };
    assert!(has(&compared, "throttled"), "{}", compared["findings"]);
    assert!(has(&desk.json(["fit", "a.settle"]), "throttled"));
    assert!(has(&desk.json(["review", "a.settle"]), "throttled"));
    desk.run(["exclude", "a.settle", "hot", "--reason", "pump stood still"])
        .ok();
    assert!(!has(&desk.json(["compare", "a.settle"]), "throttled"));
    let asks = [
        "compare a.settle high low",
        "review a.settle",
        "fit a.settle",
        "predict a.settle --room 21 --pl1 100 --pl2 253 --tau 56 --temp-limit 100",
        "capacity a.settle --temp 80 --room 21",
        "choose a.settle --room 21 --temp-max 90",
        "runs a.settle",
        "rank a.settle",
    ];
    for ask in asks {
        let text = desk.run(ask.split(' ')).ok().out;
        assert!(text.contains("pump stood still"), "{ask}: {text}");
        let json = desk.json(ask.split(' ')).to_string();
        assert!(json.contains("pump stood still"), "{ask}: {json}");
    }
}
