//! A headless Chromium, told what to do over a pipe in its own protocol (JSON messages that end with a zero byte).

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;
use wyelog_desk_tests::serving::PATIENCE;

pub struct Browser {
    child: Child,
    input: ChildStdin,
    messages: Receiver<Value>,
    /// What happened meanwhile.
    events: Vec<Value>,
    calls: u64,
    session: Option<String>,
    _profile: TempDir,
}

impl Browser {
    /// With a page of this size in CSS pixels, which shows nothing yet.
    pub fn start(width: u32, height: u32, is_dark: bool) -> Self {
        let program = wyelog_task::chromium().unwrap_or_else(|error| panic!("{error}"));
        let profile = tempfile::tempdir().unwrap();
        // It reads from file 3 and writes to file 4.
        let mut command = Command::new("sh");
        command.args(["-c", "exec \"$0\" \"$@\" 3<&0 4>&1 >/dev/null 2>&1", program]);
        command.args(["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]);
        command.args(["--no-first-run", "--hide-scrollbars", "--remote-debugging-pipe"]);
        command.arg(format!("--user-data-dir={}", profile.path().display())).arg("about:blank");
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let (input, output) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
        let (sender, messages) = channel();
        std::thread::spawn(move || {
            for message in BufReader::new(output).split(0).map_while(Result::ok) {
                let message = serde_json::from_slice(&message).unwrap_or_default();
                if sender.send(message).is_err() {
                    return;
                }
            }
        });
        let mut browser =
            Self { child, input, messages, events: Vec::new(), calls: 0, session: None, _profile: profile };
        let target = browser.call("Target.createTarget", json!({"url": "about:blank"}))["targetId"].clone();
        let attached = browser.call("Target.attachToTarget", json!({"targetId": target, "flatten": true}));
        browser.session = attached["sessionId"].as_str().map(str::to_owned);
        for domain in ["Page", "Runtime", "Log", "Network"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        browser.resize(width, height);
        browser.paint(is_dark);
        browser
    }

    pub fn resize(&mut self, width: u32, height: u32) {
        let size = json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 800});
        self.call("Emulation.setDeviceMetricsOverride", size);
    }

    /// Light or dark, as the reader's system says.
    pub fn paint(&mut self, is_dark: bool) {
        let value = if is_dark { "dark" } else { "light" };
        let features = json!({"features": [{"name": "prefers-color-scheme", "value": value}]});
        self.call("Emulation.setEmulatedMedia", features);
    }

    fn call(&mut self, method: &str, params: Value) -> Value {
        self.calls += 1;
        let mut message = json!({"id": self.calls, "method": method, "params": params});
        if let Some(session) = &self.session {
            message["sessionId"] = session.as_str().into();
        }
        let mut bytes = message.to_string().into_bytes();
        bytes.push(0);
        self.input.write_all(&bytes).unwrap();
        loop {
            let message = self.messages.recv_timeout(PATIENCE);
            let message =
                message.unwrap_or_else(|error| panic!("Chromium does not answer to {method}: {error}"));
            if message["id"] == self.calls {
                assert!(message["error"].is_null(), "{method}: {message}");
                return message["result"].clone();
            }
            self.events.push(message);
        }
    }

    /// What a JavaScript expression gives.
    pub fn evaluate(&mut self, expression: &str) -> Value {
        let asked = json!({"expression": expression, "returnByValue": true, "awaitPromise": true});
        let answer = self.call("Runtime.evaluate", asked);
        assert!(answer["exceptionDetails"].is_null(), "{expression}: {answer}");
        answer["result"]["value"].clone()
    }

    /// Waits until an expression is true.
    pub fn wait(&mut self, expression: &str) {
        let start = Instant::now();
        while self.evaluate(expression) != Value::Bool(true) {
            if start.elapsed() > PATIENCE {
                let text = self.evaluate("document.body.innerText.slice(0, 2000)");
                panic!("never true: {expression}\n{}\n{text}", self.evaluate("location.href"));
            }
            std::thread::sleep(Duration::from_millis(30));
        }
    }

    /// Opens a page and waits for it.
    pub fn open(&mut self, url: &str) {
        self.call("Page.navigate", json!({"url": url}));
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'");
    }

    /// Presses a key and lets it go: `+`, `ArrowLeft`, `Tab`.
    pub fn press(&mut self, key: &str) {
        let text = if key.chars().count() == 1 { key } else { "" };
        let code = match key {
            "Tab" => 9,
            "Enter" => 13,
            "ArrowLeft" => 37,
            "ArrowRight" => 39,
            _ => 0,
        };
        let kind = if text.is_empty() { "rawKeyDown" } else { "keyDown" };
        let down = json!({"type": kind, "key": key, "text": text, "windowsVirtualKeyCode": code});
        self.call("Input.dispatchKeyEvent", down);
        self.call(
            "Input.dispatchKeyEvent",
            json!({"type": "keyUp", "key": key, "windowsVirtualKeyCode": code}),
        );
    }

    /// Types a text where the focus is.
    pub fn type_text(&mut self, text: &str) {
        self.call("Input.insertText", json!({"text": text}));
    }

    /// Draws the mouse from one point to another.
    pub fn drag(&mut self, from: (f64, f64), to: (f64, f64)) {
        let moves = [("mouseMoved", from), ("mousePressed", from), ("mouseMoved", to), ("mouseReleased", to)];
        for (kind, (x, y)) in moves {
            let buttons = u8::from(kind != "mouseReleased");
            let event =
                json!({"type": kind, "x": x, "y": y, "button": "left", "buttons": buttons, "clickCount": 1});
            self.call("Input.dispatchMouseEvent", event);
        }
    }

    /// What the page or the browser complained of.
    pub fn complaints(&mut self) -> Vec<String> {
        self.evaluate("0");
        let is_complaint = |event: &&Value| match event["method"].as_str() {
            Some("Runtime.exceptionThrown") => true,
            Some("Runtime.consoleAPICalled") => event["params"]["type"] != "log",
            Some("Log.entryAdded") => event["params"]["entry"]["level"] != "info",
            Some("Network.loadingFailed") => event["params"]["canceled"] != true,
            _ => false,
        };
        self.events.iter().filter(is_complaint).map(Value::to_string).collect()
    }

    /// The addresses of everything that was asked for.
    pub fn requests(&self) -> Vec<&str> {
        let asked = self.events.iter().filter(|event| event["method"] == "Network.requestWillBeSent");
        asked.filter_map(|event| event["params"]["request"]["url"].as_str()).collect()
    }

    /// A picture of the whole page, for people to look at.
    pub fn picture(&mut self, path: &Path) {
        let asked = json!({"format": "png", "captureBeyondViewport": true});
        let answer = self.call("Page.captureScreenshot", asked);
        let bytes = from_base64(answer["data"].as_str().unwrap());
        std::fs::write(path, bytes).unwrap();
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn from_base64(text: &str) -> Vec<u8> {
    const LETTERS: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let digits: Vec<u32> = text
        .bytes()
        .filter_map(|byte| LETTERS.iter().position(|letter| *letter == byte).map(|at| at as u32))
        .collect();
    let four = |four: &[u32]| {
        let bits = four.iter().fold(0, |bits, digit| bits << 6 | digit) << (6 * (4 - four.len()));
        bits.to_be_bytes()[1..four.len()].to_vec()
    };
    digits.chunks(4).flat_map(four).collect()
}
