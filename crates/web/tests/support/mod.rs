//! A server in this process, and a client that speaks HTTP/1.1 over a plain socket, so that nothing
//! between a test and the server mends what the test sends.
#![allow(dead_code, reason = "each test file uses its own part")]

pub(crate) mod browser;

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;
use std::time::Duration;

use settlepoint_web::{Config, serve};

/// A running server with a folder of its own.
pub(crate) struct Server {
    /// `127.0.0.1:PORT`.
    pub(crate) host: String,
    /// The address as printed.
    pub(crate) address: String,
    pub(crate) folder: tempfile::TempDir,
}

/// An answer.
#[derive(Clone, Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl Answer {
    /// A header's value.
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| {
            let (own, value) = line.split_once(':')?;
            own.eq_ignore_ascii_case(name).then(|| value.trim())
        })
    }

    /// Where a redirect leads.
    pub(crate) fn location(&self) -> &str {
        self.header("location").unwrap_or("")
    }
}

fn no_example(_: &Path) -> Result<PathBuf, String> {
    Err("no example in tests".to_owned())
}

impl Server {
    /// A server without a notebook.
    pub(crate) fn start() -> Self {
        Self::with(|_| {})
    }

    /// A server whose configuration a test changes.
    pub(crate) fn with(change: impl FnOnce(&mut Config)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut config = Config::new(folder.path().to_owned(), no_example);
        change(&mut config);
        let (send, receive) = channel();
        std::thread::spawn(move || serve(config, |ready| send.send(ready.clone()).unwrap()));
        let ready = receive.recv_timeout(Duration::from_secs(20)).unwrap();
        let host = ready.address.strip_prefix("http://").unwrap();
        let host = host.split('/').next().unwrap().to_owned();
        Self {
            host,
            address: ready.address,
            folder,
        }
    }

    /// Sends bytes as they are and reads until the server closes.
    pub(crate) fn raw(&self, request: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(&self.host).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_mins(2)))
            .unwrap();
        // A server that refuses early may close before all is written.
        let _ = stream.write_all(request);
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        answer(&bytes)
    }

    /// A GET with further header lines.
    pub(crate) fn get_with(&self, path: &str, headers: &str) -> Answer {
        self.raw(
            format!(
                "GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n{headers}\r\n",
                self.host
            )
            .as_bytes(),
        )
    }

    pub(crate) fn get(&self, path: &str) -> Answer {
        self.get_with(path, "")
    }

    /// A form with further header lines, as a browser sends it.
    pub(crate) fn post_with(&self, path: &str, fields: &[(&str, &str)], headers: &str) -> Answer {
        let body: Vec<String> = fields
            .iter()
            .map(|(n, v)| format!("{}={}", encoded(n), encoded(v)))
            .collect();
        let body = body.join("&");
        self.raw(
            format!(
                "POST {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nContent-Type: \
                 application/x-www-form-urlencoded\r\nContent-Length: {}\r\n{headers}\r\n{body}",
                self.host,
                body.len()
            )
            .as_bytes(),
        )
    }

    /// A form from one of the server's own pages.
    pub(crate) fn post(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let token = self.token();
        let mut all = vec![("token", token.as_str())];
        all.extend(fields);
        let origin = format!("Origin: http://{}\r\n", self.host);
        self.post_with(path, &all, &origin)
    }

    /// The token that the server's forms carry.
    pub(crate) fn token(&self) -> String {
        let page = self.get("/").body;
        let at = page.find("name=\"token\" value=\"").unwrap() + 20;
        page[at..at + 32].to_owned()
    }

    /// Sends a file as a browser does.
    pub(crate) fn upload(&self, name: &str, bytes: &[u8]) -> Answer {
        let token = self.token();
        self.upload_with(&token, name, bytes)
    }

    pub(crate) fn upload_with(&self, token: &str, name: &str, bytes: &[u8]) -> Answer {
        let mark = "a-boundary-that-no-log-holds";
        let mut body = format!(
            "--{mark}\r\nContent-Disposition: form-data; name=\"token\"\r\n\r\n{token}\r\n--{mark}\r\n\
             Content-Disposition: form-data; name=\"file\"; filename=\"{name}\"\r\nContent-Type: \
             text/csv\r\n\r\n"
        )
        .into_bytes();
        body.extend_from_slice(bytes);
        body.extend_from_slice(format!("\r\n--{mark}--\r\n").as_bytes());
        let mut request = format!(
            "POST /add/log HTTP/1.1\r\nHost: {0}\r\nOrigin: http://{0}\r\nConnection: close\r\n\
             Content-Type: multipart/form-data; boundary={mark}\r\nContent-Length: {1}\r\n\r\n",
            self.host,
            body.len()
        )
        .into_bytes();
        request.extend_from_slice(&body);
        self.raw(&request)
    }

    /// A new notebook with three runs typed by hand.
    pub(crate) fn with_three_runs() -> Self {
        let server = Self::start();
        server.fill();
        server
    }

    pub(crate) fn fill(&self) {
        assert_eq!(self.post("/new", &[("name", "studio")]).status, 303);
        for (pl1, power, package, rpm, level, score) in [
            ("65", "65", "51", "610", "24.4", "27.1"),
            ("125", "125", "71", "1010", "30.6", "38.0"),
            ("181", "181", "85", "1440", "37.8", "44.2"),
        ] {
            let added = self.post(
                "/add/run",
                &[
                    ("run", &format!("{pl1} W")),
                    ("machine", "attic studio"),
                    ("cooling", "tower and three fans"),
                    ("workload", "mixdown"),
                    ("pl1_w", pl1),
                    ("pl2_w", "253"),
                    ("tau_s", "56"),
                    ("limit_c", "100"),
                    ("room_c", "22"),
                    ("score", score),
                    ("phase_1", "sustained"),
                    ("duration_s_1", "560"),
                    ("power_w_1", power),
                    ("package_c_1", package),
                    ("fan_speed_rpm_1", rpm),
                    ("level_dba_1", level),
                ],
            );
            assert_eq!(added.status, 303, "{}", added.body);
        }
    }
}

/// An answer out of its bytes; chunks are joined.
fn answer(bytes: &[u8]) -> Answer {
    let split = bytes.windows(4).position(|w| w == b"\r\n\r\n");
    let (head, body) = match split {
        Some(at) => (&bytes[..at], &bytes[at + 4..]),
        None => (bytes, &[][..]),
    };
    let head = String::from_utf8_lossy(head).into_owned();
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok());
    let chunked = head.to_lowercase().contains("transfer-encoding: chunked");
    let body = if chunked { joined(body) } else { body.to_vec() };
    Answer {
        status: status.unwrap_or(0),
        head,
        body: String::from_utf8_lossy(&body).into_owned(),
    }
}

fn joined(mut rest: &[u8]) -> Vec<u8> {
    let mut all = Vec::new();
    while let Some(at) = rest.windows(2).position(|w| w == b"\r\n") {
        let size = std::str::from_utf8(&rest[..at])
            .ok()
            .and_then(|s| usize::from_str_radix(s.trim(), 16).ok())
            .unwrap_or(0);
        let end = (at + 2 + size).min(rest.len());
        all.extend_from_slice(&rest[at + 2..end]);
        rest = rest.get(end + 2..).unwrap_or(&[]);
        if size == 0 {
            break;
        }
    }
    all
}

/// Percent-encoding of everything but letters and figures.
pub(crate) fn encoded(text: &str) -> String {
    text.bytes()
        .map(|b| {
            if b.is_ascii_alphanumeric() {
                char::from(b).to_string()
            } else {
                format!("%{b:02X}")
            }
        })
        .collect()
}
