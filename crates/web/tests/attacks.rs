//! What must be refused or survived, sent through real sockets.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod support;

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use support::{Answer, Server};

/// Nothing of the machine or of the program's inside is in an answer.
fn tells_nothing(server: &Server, answer: &Answer) {
    let folder = server.folder.path().display().to_string();
    for secret in [
        folder.as_str(),
        "panicked",
        "src/",
        "rusqlite",
        "SQLITE",
        "RUST_BACKTRACE",
    ] {
        assert!(!answer.body.contains(secret), "{secret}: {}", answer.body);
        assert!(!answer.head.contains(secret), "{secret}: {}", answer.head);
    }
}

fn get_as(server: &Server, host_lines: &str) -> Answer {
    server.raw(format!("GET /runs HTTP/1.1\r\n{host_lines}Connection: close\r\n\r\n").as_bytes())
}

#[test]
fn only_the_servers_own_names_are_answered() {
    let server = Server::with_three_runs();
    let port = server.host.split(':').nth(1).unwrap();
    for bad in [
        "Host: evil.example\r\n".to_owned(),
        format!("Host: evil.example:{port}\r\n"),
        format!("Host: 127.0.0.1.evil.example:{port}\r\n"),
        "Host: 127.0.0.1\r\n".to_owned(),
        "Host: 127.0.0.1:1\r\n".to_owned(),
        format!("Host: 0.0.0.0:{port}\r\n"),
        format!("Host: evil.example\r\nHost: {}\r\n", server.host),
        format!("Host: {}\r\nHost: evil.example\r\n", server.host),
        "Host:\r\n".to_owned(),
        String::new(),
    ] {
        let answer = get_as(&server, &bad);
        assert!(
            (400..500).contains(&answer.status),
            "{bad}: {}",
            answer.status
        );
        assert!(!answer.body.contains("mixdown"), "{bad}");
        tells_nothing(&server, &answer);
    }
    for good in [
        format!("127.0.0.1:{port}"),
        format!("localhost:{port}"),
        format!("LOCALHOST:{port}"),
    ] {
        assert_eq!(
            get_as(&server, &format!("Host: {good}\r\n")).status,
            200,
            "{good}"
        );
    }
}

#[test]
fn other_sites_are_refused() {
    let server = Server::with_three_runs();
    let token = server.token();
    let fields = [("token", token.as_str()), ("name", "stolen")];
    let port = server.host.split(':').nth(1).unwrap();
    for origin in [
        "http://evil.example".to_owned(),
        "null".to_owned(),
        format!("https://127.0.0.1:{port}"),
        "http://127.0.0.1".to_owned(),
        "http://127.0.0.1:1".to_owned(),
        format!("http://127.0.0.1:{port}.evil.example"),
    ] {
        let line = format!("Origin: {origin}\r\n");
        assert_eq!(server.get_with("/runs", &line).status, 403, "{origin}");
        // Even with the token, which no other site can know.
        assert_eq!(
            server.post_with("/new", &fields, &line).status,
            403,
            "{origin}"
        );
    }
    let embedded = "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors\r\n";
    assert_eq!(server.get_with("/runs", embedded).status, 403);
    let other_port = "Sec-Fetch-Site: same-site\r\nSec-Fetch-Mode: cors\r\n";
    assert_eq!(server.get_with("/runs", other_port).status, 403);
    assert!(!server.folder.path().join("stolen.settle").exists());
    // A link may lead here: the browser shows the page to its owner and to nobody else.
    let link = "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate\r\n";
    assert_eq!(server.get_with("/runs", link).status, 200);
}

#[test]
fn forms_need_the_token() {
    let server = Server::with_three_runs();
    let run = a_run(&server);
    let all_wrong = "0".repeat(32);
    for token in ["", "x", all_wrong.as_str()] {
        for path in [
            "/new".to_owned(),
            "/open".to_owned(),
            "/example".to_owned(),
            "/degrees".to_owned(),
            "/add/run".to_owned(),
            "/add/scores".to_owned(),
            format!("/run/{run}/leave-out"),
            format!("/run/{run}/take-in"),
            format!("/run/{run}/undo"),
        ] {
            let fields = [("token", token), ("name", "forged"), ("reason", "forged")];
            let answer = server.post_with(&path, &fields, "");
            assert_eq!(answer.status, 403, "{path} with '{token}'");
        }
        let answer = server.upload_with(token, "a.csv", b"time_s,power_w\n0,1\n");
        assert_eq!(answer.status, 403, "upload with '{token}'");
    }
    assert!(!server.folder.path().join("forged.settle").exists());
    assert!(!server.get("/runs").body.contains("forged"));
    // Nothing is changed by asking for a page.
    for path in ["/new", "/add/run", &format!("/run/{run}/undo")] {
        assert_eq!(server.get(path).status, 405, "{path}");
    }
}

/// The id of a run out of the table.
fn a_run(server: &Server) -> String {
    let page = server.get("/runs").body;
    let at = page.find("href=\"/run/").unwrap() + 11;
    page[at..at + 32].to_owned()
}

#[test]
fn no_path_of_a_request_is_opened() {
    let server = Server::with_three_runs();
    let outside = server
        .folder
        .path()
        .parent()
        .unwrap()
        .join("outside-the-folder.settle");
    for path in [
        "/assets/../../Cargo.toml",
        "/assets/..%2f..%2fCargo.toml",
        "/assets/%2e%2e/%2e%2e/etc/passwd",
        "/../../../../etc/passwd",
        "//etc/passwd",
        "/assets//etc/passwd",
        "/assets/style.css%00.html",
        "/chart/..%2f..%2fstudio.settle",
        "/chart/run.svg?id=../../studio.settle",
        "/run/..%2fstudio",
        "/add/log/..%2fstudio.settle",
        "/plan/..%2fstudio.settle",
        "/studio.settle",
        "/live/../runs.csv",
    ] {
        let answer = server.get(path);
        assert!(
            (400..500).contains(&answer.status),
            "{path}: {}",
            answer.status
        );
        assert!(!answer.body.contains("root:"), "{path}");
        tells_nothing(&server, &answer);
    }
    for name in [
        "../../../etc/passwd",
        "/etc/passwd",
        "..",
        "studio.settle",
        "C:\\x",
        "",
    ] {
        let answer = server.post("/open", &[("notebook", name)]);
        assert_eq!(answer.status, 404, "{name}");
        tells_nothing(&server, &answer);
    }
    for name in [
        "../outside-the-folder",
        "a/b",
        "a\\b",
        "..",
        "\u{0}",
        "x.settle",
    ] {
        let answer = server.post("/new", &[("name", name)]);
        assert_eq!(answer.status, 422, "{name}");
    }
    assert!(!outside.exists());
    let sent = server.upload(
        "..\\..\\evil/../name.csv",
        b"time_s,power_w,t_c\n0,1,20\n1,2,21\n2,2,21\n",
    );
    assert_eq!(sent.status, 303);
    let files: Vec<_> = std::fs::read_dir(server.folder.path())
        .unwrap()
        .flatten()
        .map(|e| e.file_name().to_string_lossy().into_owned())
        .filter(|n| !n.starts_with("studio.settle"))
        .collect();
    assert!(files.is_empty(), "{files:?}");
}

#[test]
fn no_redirect_leads_to_another_site() {
    let server = Server::with_three_runs();
    for back in [
        "//evil.example",
        "https://evil.example/",
        "/\\evil.example",
        "javascript:alert(1)",
    ] {
        let answer = server.post("/degrees", &[("unit", "f"), ("back", back)]);
        assert_eq!((answer.status, answer.location()), (303, "/"), "{back}");
    }
    let split = server.post(
        "/degrees",
        &[("unit", "f"), ("back", "/a\r\nSet-Cookie: x=y")],
    );
    assert!(!split.head.contains("x=y"), "{}", split.head);
}

#[test]
fn names_are_text_wherever_they_stand() {
    let server = Server::with_three_runs();
    let evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>";
    let added = server.post(
        "/add/run",
        &[
            ("run", evil),
            ("workload", evil),
            ("setting", evil),
            ("pl1_w", "150"),
            ("room_c", "22"),
            ("score", "41"),
            ("phase_1", "sustained"),
            ("power_w_1", "150"),
            ("package_c_1", "78"),
        ],
    );
    assert_eq!(added.status, 303, "{}", added.body);
    let run = added.location().to_owned();
    let log = b"time_s,<script>alert(3)</script> power W,temperature C\n0,10,30\n1,80,40\n2,80,45\n3,80,47\n";
    let sent = server.upload("<script>alert(4)</script>.csv", log);
    assert_eq!(sent.status, 303);
    let pages = [
        "/",
        "/runs",
        "/add",
        "/models",
        "/what-if",
        "/compare",
        "/plan",
        "/choose?room_c=34&temp_max_c=90",
        "/what-if?workload=%3Cscript%3Ealert(5)%3C/script%3E",
        "/what-if?pl1_w=%22%3E%3Cscript%3Ealert(6)%3C/script%3E",
        "/compare?base=%3Cscript%3Ealert(7)%3C/script%3E",
        run.as_str(),
        sent.location(),
    ];
    for path in pages {
        let page = server.get(path);
        let body = &page.body;
        assert!(!body.contains("<script>alert"), "{path}");
        assert!(!body.contains("<img src=x"), "{path}");
        // No script and no style but the server's own files, which the policy demands.
        assert_eq!(
            body.matches("<script").count(),
            body.matches("<script type=\"module\" src=\"/assets/")
                .count(),
            "{path}"
        );
        assert!(
            !body.contains(" style=\"") && !body.contains("<style"),
            "{path}"
        );
        assert!(
            !body.contains(" onclick") && !body.contains("javascript:"),
            "{path}"
        );
    }
    let file = server.get("/chart/work.svg").body;
    assert!(!file.contains("<script"));
}

#[test]
fn every_answer_has_its_policy() {
    let server = Server::with_three_runs();
    for path in [
        "/",
        "/runs",
        "/runs.csv",
        "/assets/style.css",
        "/nothing",
        "/chart/work.svg",
        "/what-if/live",
    ] {
        let answer = server.get(path);
        let policy = answer.header("content-security-policy").unwrap_or("");
        assert!(policy.contains("default-src 'none'"), "{path}");
        assert!(policy.contains("frame-ancestors 'none'"), "{path}");
        assert!(!policy.contains("unsafe"), "{path}");
        assert_eq!(
            answer.header("x-content-type-options"),
            Some("nosniff"),
            "{path}"
        );
        assert!(answer.header("cache-control").is_some(), "{path}");
    }
    assert_eq!(
        server.get("/runs").header("cache-control"),
        Some("no-store")
    );
}

#[test]
fn what_is_too_large_is_refused_at_once() {
    let server = Server::with(|c| c.upload_bytes = 1 << 20);
    server.fill();
    let head = |length: &str| {
        format!(
            "POST /add/log HTTP/1.1\r\nHost: {0}\r\nOrigin: http://{0}\r\nConnection: close\r\n\
             Content-Type: multipart/form-data; boundary=x\r\n{length}\r\n\r\n",
            server.host
        )
    };
    let begun = Instant::now();
    let announced = server.raw(head("Content-Length: 1073741824").as_bytes());
    assert_eq!(announced.status, 413);
    // It was not waited for: a gigabyte was never sent.
    assert!(begun.elapsed() < Duration::from_secs(5));
    // Without an announced length it is cut off when it passes the limit.
    let mut endless = head("Transfer-Encoding: chunked").into_bytes();
    let chunk = format!("10000\r\n{}\r\n", "a".repeat(0x10000));
    for _ in 0..40 {
        endless.extend_from_slice(chunk.as_bytes());
    }
    let cut = server.raw(&endless);
    assert!(cut.status == 413 || cut.status == 0, "{}", cut.status);
    let form = server.post("/add/scores", &[("scores", &"1 ".repeat(300_000))]);
    assert_eq!(form.status, 413);
    let long_head = server.get_with("/runs", &format!("X-Long: {}\r\n", "a".repeat(100_000)));
    assert!((400..500).contains(&long_head.status) || long_head.status == 0);
    assert_eq!(server.get("/runs").status, 200);
}

/// Sends a part, then nothing; gives how long the server took to hang up, and what it said.
fn wait_for_the_end(server: &Server, part: &str) -> (Duration, String) {
    let mut stream = TcpStream::connect(&server.host).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(20)))
        .unwrap();
    stream.write_all(part.as_bytes()).unwrap();
    let begun = Instant::now();
    let mut said = String::new();
    let _ = stream.read_to_string(&mut said);
    (begun.elapsed(), said)
}

#[test]
fn the_slow_are_hung_up_on_and_keep_nobody_waiting() {
    let patience = Duration::from_secs(1);
    let server = Server::with(|c| c.patience = patience);
    server.fill();
    let half_head = "GET /runs HTTP/1.1\r\nHost: ";
    let mut slow: Vec<TcpStream> = (0..200)
        .map(|_| {
            let mut stream = TcpStream::connect(&server.host).unwrap();
            stream.write_all(half_head.as_bytes()).unwrap();
            stream
        })
        .collect();
    let begun = Instant::now();
    assert_eq!(server.get("/runs").status, 200);
    // Two hundred sleepers cost others nothing that could be felt (a page takes milliseconds).
    assert!(
        begun.elapsed() < Duration::from_secs(2),
        "{:?}",
        begun.elapsed()
    );
    let (took, _) = wait_for_the_end(&server, half_head);
    // Twice the patience, and a second for a busy machine.
    assert!(took < 2 * patience + Duration::from_secs(1), "{took:?}");
    for stream in &mut slow {
        stream
            .set_read_timeout(Some(Duration::from_secs(10)))
            .unwrap();
        let mut rest = Vec::new();
        // The end of the stream, or a reset: not a time-out, for which the wait would be 10 s.
        let waited = Instant::now();
        let _ = stream.read_to_end(&mut rest);
        assert!(waited.elapsed() < Duration::from_secs(8));
    }
    let half_body = format!(
        "POST /add/scores HTTP/1.1\r\nHost: {0}\r\nOrigin: http://{0}\r\nContent-Type: \
         application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\ntoken=",
        server.host
    );
    let (took, said) = wait_for_the_end(&server, &half_body);
    assert!(said.contains(" 408 "), "{said}");
    // The answer comes after the patience; the connection then ends when it is idle as long again.
    assert!(took < 3 * patience + Duration::from_secs(1), "{took:?}");
}

#[test]
fn a_thousand_at_once_are_all_answered() {
    let server = Server::with_three_runs();
    // The first fit is waited for once.
    assert_eq!(server.get("/what-if/live").status, 200);
    let paths = [
        "/runs",
        "/what-if/live?pl1_w=130&room_c=30",
        "/",
        "/runs.csv",
    ];
    let answered: usize = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..100)
            .map(|i| {
                let server = &server;
                scope.spawn(move || {
                    // Ten connections are open at a time in each of a hundred threads.
                    let mut streams: Vec<TcpStream> = (0..10)
                        .map(|_| TcpStream::connect(&server.host).unwrap())
                        .collect();
                    for (j, stream) in streams.iter_mut().enumerate() {
                        let path = paths[(i + j) % paths.len()];
                        let head = format!(
                            "GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
                            server.host
                        );
                        stream.write_all(head.as_bytes()).unwrap();
                    }
                    streams
                        .iter_mut()
                        .filter(|stream| {
                            let mut start = [0; 12];
                            stream
                                .set_read_timeout(Some(Duration::from_mins(1)))
                                .unwrap();
                            let mut stream: &TcpStream = stream;
                            stream.read_exact(&mut start).is_ok() && start.ends_with(b" 200")
                        })
                        .count()
                })
            })
            .collect();
        threads.into_iter().map(|t| t.join().unwrap()).sum()
    });
    assert_eq!(answered, 1000);
    assert_eq!(server.get("/runs").status, 200);
}

#[test]
fn errors_are_pages_without_insides() {
    let server = Server::with_three_runs();
    let unknown = "0".repeat(32);
    for (path, status) in [
        ("/nowhere".to_owned(), 404),
        ("/run/x".to_owned(), 404),
        (format!("/run/{unknown}"), 404),
        (format!("/live/{unknown}"), 303),
        (format!("/add/log/{unknown}"), 404),
        ("/what-if?workload=nothing".to_owned(), 422),
        ("/models?cooling=nothing".to_owned(), 422),
        ("/models?machine=nothing".to_owned(), 404),
        ("/chart/nothing.svg".to_owned(), 404),
        ("/chart/work.exe".to_owned(), 404),
        ("/chart/work".to_owned(), 404),
    ] {
        let answer = server.get(&path);
        assert_eq!(answer.status, status, "{path}: {}", answer.body);
        tells_nothing(&server, &answer);
    }
    for method in ["PUT", "DELETE", "OPTIONS", "TRACE", "PATCH"] {
        let request = format!(
            "{method} /runs HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
            server.host
        );
        assert_eq!(server.raw(request.as_bytes()).status, 405, "{method}");
    }
    assert_eq!(
        server
            .raw(b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03")
            .status,
        400
    );
    assert_eq!(server.raw(b"nonsense\r\n\r\n").status, 400);
    assert_eq!(server.get("/runs").status, 200);
}

#[test]
fn what_is_no_log_is_said_and_not_held() {
    let server = Server::with_three_runs();
    for (name, bytes) in [
        ("book.xlsx", &b"PK\x03\x04rest"[..]),
        ("notes.settle", b"SQLite format 3\0rest"),
        ("log.csv.gz", b"\x1f\x8b\x08rest"),
        ("empty.csv", b""),
        ("picture.png", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"),
        ("prose.txt", b"nothing here is a table\n"),
    ] {
        let answer = server.upload(name, bytes);
        assert_eq!(answer.status, 422, "{name}: {}", answer.body);
        tells_nothing(&server, &answer);
    }
    let bare = server.raw(
        format!(
            "POST /add/log HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nContent-Type: \
             multipart/form-data; boundary=x\r\nContent-Length: 5\r\n\r\nabcde",
            server.host
        )
        .as_bytes(),
    );
    assert!((400..500).contains(&bare.status), "{}", bare.status);
}

#[test]
fn a_key_is_asked_for_where_it_is_wanted() {
    let server = Server::with(|c| c.with_key = true);
    let key = server.address.split("key=").nth(1).unwrap().to_owned();
    assert_eq!(key.len(), 32);
    let refused = server.get("/");
    assert_eq!(refused.status, 401);
    assert!(!refused.body.contains(&key));
    assert_eq!(server.get("/?key=0").status, 401);
    assert_eq!(server.get("/assets/style.css").status, 401);
    let taken = server.get(&format!("/?key={key}"));
    assert_eq!((taken.status, taken.location()), (303, "/"));
    let cookie = taken.header("set-cookie").unwrap();
    assert!(
        cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"),
        "{cookie}"
    );
    let line = format!("Cookie: {}\r\n", cookie.split(';').next().unwrap());
    assert_eq!(server.get_with("/", &line).status, 200);
    let forged = format!("Cookie: settlepoint-key={}\r\n", "0".repeat(32));
    assert_eq!(server.get_with("/", &forged).status, 401);
}
