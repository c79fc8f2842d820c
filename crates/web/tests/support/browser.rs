//! A real browser, driven over `WebDriver` (W3C Recommendation) by plain requests to its driver.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

/// Key that names an element in answers (`WebDriver`, section 12).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";
/// Keys that are no signs (`WebDriver`, section 17.4.2).
pub(crate) const ENTER: &str = "\u{e007}";
pub(crate) const TAB: &str = "\u{e004}";
pub(crate) const RIGHT: &str = "\u{e014}";

/// A browser with a fresh profile; it ends with the test.
pub(crate) struct Browser {
    driver: Child,
    port: u16,
    _out: BufReader<ChildStdout>,
    session: String,
}

/// "… was started successfully on port 4711."; an earlier line names the port asked for, 0.
fn port_of(line: &str) -> Option<u16> {
    let (_, port) = line.rsplit_once("on port ")?;
    port.trim_end_matches('.').parse().ok().filter(|p| *p > 0)
}

/// What must be installed for these tests: `scripts/test.sh` sees to it and then sets this.
const REQUIRED: &str = "SETTLEPOINT_BROWSER";

impl Browser {
    /// Starts one; `None` where the driver is not installed and nothing demands it.
    #[expect(clippy::print_stderr, reason = "whoever runs the tests should know")]
    pub(crate) fn start() -> Option<Self> {
        let driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn();
        let mut driver = match driver {
            Ok(driver) => driver,
            Err(why) => {
                assert!(
                    std::env::var_os(REQUIRED).is_none(),
                    "chromedriver: {why}; install chromium and chromium-driver"
                );
                eprintln!("no chromedriver here: the browser's tests are left out");
                return None;
            }
        };
        // Kept open, else the driver dies of its own words.
        let mut out = BufReader::new(driver.stdout.take().unwrap());
        let port = out
            .by_ref()
            .lines()
            .map_while(Result::ok)
            .find_map(|line| port_of(&line))
            .expect("the driver names its port");
        let mut browser = Self {
            driver,
            port,
            _out: out,
            session: String::new(),
        };
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "goog:chromeOptions": { "args": [
                "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                "--window-size=1440,1000",
            ] },
            "goog:loggingPrefs": { "browser": "ALL", "performance": "ALL" },
        } } });
        let made = browser.ask("POST", "/session", &wanted);
        browser.session = format!("/session/{}", made["sessionId"].as_str().unwrap());
        Some(browser)
    }

    /// One request to the driver; what it answers under `value`.
    fn ask(&self, method: &str, path: &str, body: &Value) -> Value {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_mins(2)))
            .unwrap();
        let body = if method == "POST" {
            body.to_string()
        } else {
            String::new()
        };
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\nContent-Type: \
             application/json\r\nContent-Length: {}\r\n\r\n{body}",
            self.port,
            body.len()
        )
        .unwrap();
        let answer = whole_answer(&mut stream);
        let value: Value = serde_json::from_str(&answer).unwrap_or(Value::Null);
        let value = value["value"].clone();
        assert!(value.get("error").is_none(), "{path}: {value:#}");
        value
    }

    fn post(&self, path: &str, body: &Value) -> Value {
        self.ask("POST", &format!("{}{path}", self.session), body)
    }

    pub(crate) fn go(&self, address: &str) {
        self.post("/url", &json!({ "url": address }));
    }

    pub(crate) fn address(&self) -> String {
        let value = self.ask("GET", &format!("{}/url", self.session), &Value::Null);
        value.as_str().unwrap().to_owned()
    }

    /// Runs a function body on the page.
    pub(crate) fn js(&self, code: &str, args: &Value) -> Value {
        self.post("/execute/sync", &json!({ "script": code, "args": args }))
    }

    /// Runs one that calls its last argument when it is done.
    pub(crate) fn js_later(&self, code: &str, args: &Value) -> Value {
        self.post("/timeouts", &json!({ "script": 120_000 }));
        self.post("/execute/async", &json!({ "script": code, "args": args }))
    }

    /// A command of the browser's own protocol, for what `WebDriver` has no word for.
    pub(crate) fn cdp(&self, command: &str, params: &Value) -> Value {
        self.post(
            "/goog/cdp/execute",
            &json!({ "cmd": command, "params": params }),
        )
    }

    pub(crate) fn look(&self, theme: &str, width: u32) {
        let height = if width < 600 { 844 } else { 1000 };
        self.cdp(
            "Emulation.setEmulatedMedia",
            &json!({ "media": "screen", "features": [{ "name": "prefers-color-scheme", "value": theme }] }),
        );
        self.cdp(
            "Emulation.setDeviceMetricsOverride",
            &json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false }),
        );
    }

    fn element(&self, css: &str) -> String {
        let found = self.post(
            "/element",
            &json!({ "using": "css selector", "value": css }),
        );
        found[ELEMENT].as_str().unwrap().to_owned()
    }

    /// A link by its words.
    pub(crate) fn follow(&self, words: &str) {
        let found = self.post("/element", &json!({ "using": "link text", "value": words }));
        let id = found[ELEMENT].as_str().unwrap();
        self.post(&format!("/element/{id}/click"), &json!({}));
    }

    pub(crate) fn click(&self, css: &str) {
        let id = self.element(css);
        self.post(&format!("/element/{id}/click"), &json!({}));
    }

    /// Presses keys while an element has the focus.
    pub(crate) fn keys(&self, css: &str, keys: &str) {
        let id = self.element(css);
        self.post(&format!("/element/{id}/value"), &json!({ "text": keys }));
    }

    /// Presses keys where the focus happens to be.
    pub(crate) fn press(&self, keys: &str) {
        let presses: Vec<Value> = keys
            .chars()
            .flat_map(|key| {
                let key = key.to_string();
                [
                    json!({ "type": "keyDown", "value": key }),
                    json!({ "type": "keyUp", "value": key }),
                ]
            })
            .collect();
        self.post(
            "/actions",
            &json!({ "actions": [{ "type": "key", "id": "keys", "actions": presses }] }),
        );
    }

    /// Text of the page as it is seen.
    pub(crate) fn text(&self) -> String {
        let text = self.js("return document.body.innerText", &json!([]));
        text.as_str().unwrap().to_owned()
    }

    /// Waits until something on the page is true.
    pub(crate) fn until(&self, what: &str, condition: &str) {
        let begun = Instant::now();
        let code = format!("return Boolean({condition})");
        while self.js(&code, &json!([])) != Value::Bool(true) {
            assert!(
                begun.elapsed() < Duration::from_mins(1),
                "{what} never came; the page says: {}",
                self.text()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn log(&self, kind: &str) -> Vec<Value> {
        let log = self.post("/se/log", &json!({ "type": kind }));
        log.as_array().cloned().unwrap_or_default()
    }

    /// What the console said since it was last asked.
    pub(crate) fn console(&self) -> Vec<String> {
        self.log("browser")
            .iter()
            .map(|l| l["message"].to_string())
            .collect()
    }

    /// Addresses that were asked for since this was last asked.
    pub(crate) fn requests(&self) -> Vec<String> {
        self.log("performance")
            .iter()
            .filter_map(|entry| {
                let message: Value = serde_json::from_str(entry["message"].as_str()?).ok()?;
                let message = &message["message"];
                (message["method"] == "Network.requestWillBeSent").then(|| {
                    message["params"]["request"]["url"]
                        .as_str()
                        .map(str::to_owned)
                })?
            })
            .collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if !self.session.is_empty() && !std::thread::panicking() {
            self.ask("DELETE", &self.session, &Value::Null);
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// The body of an answer, as long as its head says.
fn whole_answer(stream: &mut TcpStream) -> String {
    let mut reader = BufReader::new(stream);
    let mut length = 0;
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).unwrap() == 0 || line.trim().is_empty() {
            break;
        }
        if let Some((name, value)) = line.split_once(':')
            && name.eq_ignore_ascii_case("content-length")
        {
            length = value.trim().parse().unwrap();
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).unwrap();
    String::from_utf8_lossy(&body).into_owned()
}
