//! A service for tests to call: the binary itself, on a free loopback port.

#![allow(dead_code, reason = "every test takes the part it needs")]

#[macro_use]
pub(crate) mod place;

pub(crate) use place::Place;
use reqwest::header::HeaderMap;
use reqwest::{RequestBuilder, StatusCode};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// What the binary may read from the environment.
const READ: [&str; 10] = [
    "STEELYARD_LISTEN",
    "STEELYARD_DATA",
    "STEELYARD_PACK",
    "STEELYARD_ALLOWED_ORIGINS",
    "STEELYARD_ALLOWED_HOSTS",
    "STEELYARD_FEED_EXCEPTIONS",
    "STEELYARD_POLL_FEEDS",
    "STEELYARD_FEED_LEASE_S",
    "DATABASE_URL",
    "RUST_LOG",
];

/// Until an answer over loopback counts as missing.
const PATIENCE: Duration = Duration::from_secs(120);

/// The binary, with none of the environment of whoever runs the tests.
pub(crate) fn steelyard() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_steelyard"));
    for name in READ {
        command.env_remove(name);
    }
    command.stdin(Stdio::null());
    command
}

/// A running `steelyard serve`; killed when it goes out of scope.
pub(crate) struct Served {
    child: Child,
    address: SocketAddr,
    client: reqwest::Client,
    said: Arc<Mutex<Vec<String>>>,
    listening: Option<JoinHandle<()>>,
    _data: tempfile::TempDir,
}

impl Served {
    /// Started with the defaults.
    pub(crate) fn start() -> Self {
        Self::with(&[])
    }

    /// Started on a store that outlives it.
    pub(crate) fn at(place: &Place) -> Self {
        Self::with(&[place.variable()])
    }

    /// Started with these variables in its environment.
    pub(crate) fn with(environment: &[(&str, &str)]) -> Self {
        let data = tempfile::tempdir().unwrap();
        let mut command = steelyard();
        // A store of its own, unless the caller names one.
        command.env("STEELYARD_DATA", data.path());
        command.args(["serve", "--listen", "127.0.0.1:0"]).envs(environment.iter().copied());
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let Some(Ok(ready)) = lines.next() else {
            let _ = child.kill();
            panic!("the service ended without a word: {:?}", child.wait());
        };
        let address = ready.strip_prefix("steelyard listens on http://").and_then(|a| a.parse().ok());
        let Some(address) = address else {
            let _ = child.kill();
            panic!("not the line that says where it listens: {ready}");
        };
        let said = Arc::new(Mutex::new(vec![ready]));
        let heard = said.clone();
        // Read on, or the service would block on a full pipe.
        let listening = std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                heard.lock().unwrap().push(line);
            }
        });
        let client = reqwest::Client::builder()
            .no_proxy()
            .redirect(reqwest::redirect::Policy::none())
            .timeout(PATIENCE)
            .build()
            .unwrap();
        Self { child, address, client, said, listening: Some(listening), _data: data }
    }

    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    pub(crate) fn port(&self) -> u16 {
        self.address.port()
    }

    pub(crate) fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    pub(crate) fn request(&self, method: &str, path: &str) -> RequestBuilder {
        self.client.request(method.parse().unwrap(), self.url(path))
    }

    pub(crate) fn get(&self, path: &str) -> RequestBuilder {
        self.request("GET", path)
    }

    /// A body sent as JSON.
    pub(crate) fn post(&self, path: &str, body: impl Into<Vec<u8>>) -> RequestBuilder {
        self.request("POST", path).header("content-type", "application/json").body(body.into())
    }

    /// Bytes sent as they are; the answer up to where the service closes.
    pub(crate) fn raw(&self, request: &str) -> RawReply {
        let mut stream = self.connect();
        stream.write_all(request.as_bytes()).unwrap();
        let mut text = Vec::new();
        stream.read_to_end(&mut text).unwrap();
        RawReply::read(&text)
    }

    /// A connection on which nothing has been sent.
    pub(crate) fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream
    }

    /// The lines on standard error so far.
    pub(crate) fn said(&self) -> Vec<String> {
        self.said.lock().unwrap().clone()
    }

    /// The most memory it has held so far, KiB (proc_pid_status(5): `VmHWM`).
    pub(crate) fn peak_kib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).unwrap();
        peak.trim().trim_end_matches(" kB").parse().unwrap()
    }

    /// Processor time it has used so far, in clock ticks (proc_pid_stat(5): fields 14 and 15).
    pub(crate) fn cpu_ticks(&self) -> u64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.child.id())).unwrap();
        // The second field is the name in brackets, which may hold anything.
        let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
        fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
    }

    /// Sends SIGTERM.
    pub(crate) fn terminate(&self) {
        kill_process(Pid::from_child(&self.child), Signal::TERM).unwrap();
    }

    /// Sends SIGINT.
    pub(crate) fn interrupt(&self) {
        kill_process(Pid::from_child(&self.child), Signal::INT).unwrap();
    }

    /// How it ended, if it did within the time; all it said is heard by then.
    pub(crate) fn ended_within(&mut self, time: Duration) -> Option<ExitStatus> {
        let until = Instant::now() + time;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                if let Some(listening) = self.listening.take() {
                    listening.join().unwrap();
                }
                return Some(status);
            }
            if Instant::now() >= until {
                return None;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// An answer read off a socket.
#[derive(Debug)]
pub(crate) struct RawReply {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl RawReply {
    fn read(bytes: &[u8]) -> Self {
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or_else(|| panic!("no answer: {text:?}"));
        let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap();
        Self { status, head: head.to_ascii_lowercase(), body: body.into() }
    }
}

/// An answer, read whole.
#[derive(Debug)]
pub(crate) struct Reply {
    pub(crate) status: StatusCode,
    pub(crate) headers: HeaderMap,
    pub(crate) body: Vec<u8>,
}

impl Reply {
    /// Sends a request and reads the answer.
    pub(crate) async fn to(request: RequestBuilder) -> Self {
        let answer = request.send().await.unwrap();
        let (status, headers) = (answer.status(), answer.headers().clone());
        Self { status, headers, body: answer.bytes().await.unwrap().to_vec() }
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }

    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// A header that is there once.
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        let mut values = self.headers.get_all(name).iter();
        let first = values.next()?.to_str().unwrap();
        assert!(values.next().is_none(), "{name} is there twice");
        Some(first)
    }

    /// The same answer, held to be a problem of this status (RFC 9457).
    pub(crate) fn problem(&self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text());
        assert_eq!(self.header("content-type"), Some("application/problem+json"), "{}", self.text());
        let problem = self.json();
        assert_eq!(problem["status"], status, "{problem}");
        for member in ["type", "title", "detail"] {
            assert!(problem[member].as_str().is_some_and(|s| !s.is_empty()), "no {member}: {problem}");
        }
        problem
    }
}

/// What was printed by a command that has ended, and how it ended.
#[derive(Debug)]
pub(crate) struct Printed {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// Runs `steelyard` with these arguments to its end.
pub(crate) fn run<A: AsRef<std::ffi::OsStr>>(arguments: &[A]) -> Printed {
    let output = steelyard().args(arguments).output().unwrap();
    Printed {
        code: output.status.code(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}
