//! A browser that prints page after page: starting one costs ten times what a page does.
//!
//! Chromium is spoken to through its debugging pipe (Chrome DevTools Protocol,
//! <https://chromedevtools.github.io/devtools-protocol/>): JSON, each message ended by a
//! zero, on the file descriptors 3 and 4.

#![allow(clippy::unwrap_used)] // a test may end here

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use serde_json::{Value, json};
use tempfile::TempDir;

const CHROMIUM: &str = "exec chromium --headless --no-sandbox --disable-gpu --no-first-run \
    --disable-background-networking --disable-component-update --disable-sync \
    --remote-debugging-pipe --user-data-dir=\"$0\" about:blank 3<&0 4>&1 </dev/null >/dev/null 2>&1";

/// One browser with one page open in it.
pub struct Printer {
    browser: Child,
    asks: ChildStdin,
    answers: BufReader<ChildStdout>,
    asked: u64,
    session: Option<String>,
    /// Two browsers never share a profile.
    _profile: TempDir,
}

impl Printer {
    pub fn start() -> Self {
        let profile = tempfile::tempdir().unwrap();
        let mut browser = Command::new("sh")
            .args(["-c", CHROMIUM])
            .arg(profile.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (asks, answers) = (browser.stdin.take().unwrap(), browser.stdout.take().unwrap());
        let answers = BufReader::new(answers);
        let mut printer = Self { browser, asks, answers, asked: 0, session: None, _profile: profile };
        let page = printer.ask("Target.createTarget", &json!({ "url": "about:blank" }));
        let whole = json!({ "targetId": page["targetId"], "flatten": true });
        let session = printer.ask("Target.attachToTarget", &whole)["sessionId"].as_str().map(str::to_owned);
        printer.session = session;
        printer.ask("Page.enable", &json!({}));
        printer
    }

    /// Prints an HTML file as whoever chooses "print" does, without header and footer.
    pub fn print(&mut self, page: &Path, pdf: &Path) {
        let page = page.canonicalize().unwrap();
        self.ask("Page.navigate", &json!({ "url": format!("file://{}", page.display()) }));
        while self.next()["method"] != "Page.loadEventFired" {}
        let printed =
            self.ask("Page.printToPDF", &json!({ "printBackground": true, "preferCSSPageSize": true }));
        let mut decoded = Command::new("base64")
            .arg("--decode")
            .stdin(Stdio::piped())
            .stdout(std::fs::File::create(pdf).unwrap())
            .spawn()
            .unwrap();
        decoded.stdin.take().unwrap().write_all(printed["data"].as_str().unwrap().as_bytes()).unwrap();
        assert!(decoded.wait().unwrap().success(), "{}: what was printed is no base64", page.display());
    }

    /// What the browser answers.
    fn ask(&mut self, method: &str, params: &Value) -> Value {
        self.asked += 1;
        let mut ask = json!({ "id": self.asked, "method": method, "params": params });
        if let Some(session) = &self.session {
            ask["sessionId"] = session.as_str().into();
        }
        self.asks
            .write_all(format!("{ask}\0").as_bytes())
            .expect("chromium is not there; install Debian's package chromium");
        loop {
            let mut answer = self.next();
            if answer["id"] == self.asked {
                assert!(answer["error"].is_null(), "{method}: {answer}");
                return answer["result"].take();
            }
        }
    }

    /// The next thing it says: an answer, or something that happened.
    fn next(&mut self) -> Value {
        let mut said = Vec::new();
        self.answers.read_until(0, &mut said).unwrap();
        assert_eq!(said.pop(), Some(0), "chromium is not there, or ended; install Debian's package chromium");
        serde_json::from_slice(&said).unwrap()
    }
}

impl Drop for Printer {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.browser.kill();
        let _ = self.browser.wait();
    }
}
