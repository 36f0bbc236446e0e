#!/usr/bin/env python3
"""The stream of changes, read by others' parsers: httpx-sse, and a browser's own EventSource, which
connects again by itself when the service is stopped and started anew.

usage: changes.py STEELYARD_BINARY SCRATCH_DIR
"""
import http.server
import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.request

import httpx
import httpx_sse

FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]
PATIENCE_S = 60
PAGE = """<!doctype html><meta charset="utf-8"><title>changes</title><script>
let told = Promise.resolve();
const tell = what => { told = told.then(() => fetch("/seen", { method: "POST", body: JSON.stringify(what) })); };
const source = new EventSource("%s/v1/changes?after=0");
source.onmessage = () => tell({ id: "an event without a name" });
for (const type of ["advice_changed", "outcome_recorded"])
  source.addEventListener(type, e => tell({ id: e.lastEventId, type: e.type, data: JSON.parse(e.data) }));
</script>"""


class Service:
    """The binary on a folder of its own; started again, it keeps its port."""

    def __init__(self, binary, scratch, origin):
        self.binary, self.scratch, self.origin, self.port = binary, scratch, origin, 0

    def start(self):
        environment = os.environ | {"STEELYARD_ALLOWED_ORIGINS": self.origin}
        environment.pop("DATABASE_URL", None)
        command = [self.binary, "serve", "--listen", f"127.0.0.1:{self.port}", "--data", f"{self.scratch}/changes"]
        self.process = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)
        line = self.process.stderr.readline()
        self.base = line.removeprefix("steelyard listens on ").strip()
        self.port = int(self.base.rsplit(":", 1)[1])

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        if self.process.wait(PATIENCE_S):
            sys.exit("the service did not stop cleanly")

    def record(self, listing):
        body = json.dumps({"listing": listing, "story": "original"}).encode()
        request = urllib.request.Request(f"{self.base}/v1/outcomes", body, {"Content-Type": "application/json"})
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            return json.load(answer)


def read(base, count, last=None):
    """So many events, then the connection is broken off."""
    headers = {"Last-Event-ID": last} if last else {}
    query = "" if last else "?after=0"
    seen = []
    with httpx.Client(timeout=PATIENCE_S, trust_env=False) as client:
        with httpx_sse.connect_sse(client, "GET", f"{base}/v1/changes{query}", headers=headers) as source:
            for event in source.iter_sse():
                # This library also shows blocks that only set the place, which the standard does not.
                if event.data:
                    seen.append({"id": event.id, "type": event.event, "data": event.json()})
                if len(seen) == count:
                    return seen


def check(name, holds, faults):
    print(f"{'ok  ' if holds else 'FAIL'} {name}")
    faults.extend([] if holds else [name])


def main():
    binary, scratch = sys.argv[1:3]
    seen, faults = [], []

    class Page(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            page = (PAGE % service.base).encode() if self.path == "/" else b""
            self.send_response(200 if page else 404)
            self.send_header("Content-Type", "text/html")
            self.send_header("Content-Length", str(len(page)))
            self.end_headers()
            self.wfile.write(page)

        def do_POST(self):
            seen.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_):
            pass

    pages = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Page)
    threading.Thread(target=pages.serve_forever, daemon=True).start()
    own = f"http://127.0.0.1:{pages.server_address[1]}"
    service = Service(binary, scratch, own)
    service.start()
    browser = None
    try:
        recorded = [service.record(f"lot-{i}") for i in range(3)]
        first = read(service.base, 2)
        recorded += [service.record(f"lot-{i}") for i in range(3, 6)]
        events = first + read(service.base, 4, first[-1]["id"])
        check("httpx-sse: each once and in order", [e["id"] for e in events] == list("123456"), faults)
        told = [(e["type"], e["data"]["outcome"], e["data"]["id"]) for e in events]
        expected = [("outcome_recorded", r["id"], i) for i, r in enumerate(recorded, 1)]
        check("httpx-sse: what was recorded is told", told == expected, faults)

        chromium = shutil.which("chromium") or sys.exit("chromium is not on the path")
        profile = pathlib.Path(scratch, "profile-changes")
        command = [chromium, *FLAGS, f"--user-data-dir={profile}", "--remote-debugging-port=0", f"{own}/"]
        browser = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

        def wait(count):
            until = time.monotonic() + PATIENCE_S
            while len(seen) < count and time.monotonic() < until:
                time.sleep(0.05)
            return len(seen) >= count

        check("EventSource: from the first change on", wait(6), faults)
        for round_ in range(2):
            service.record(f"before-{round_}")
            service.stop()
            service.start()
            service.record(f"after-{round_}")
            check(f"EventSource: goes on after start {round_ + 2}", wait(8 + 2 * round_), faults)
        time.sleep(1)
        events = read(service.base, 10)
        check("EventSource: each once and in order, as httpx-sse reads them", seen == events, faults)
        if faults:
            print(f"seen {seen}")
    finally:
        if browser:
            browser.terminate()
            browser.wait(PATIENCE_S)
        service.process.terminate()
        service.process.wait(PATIENCE_S)
        pages.shutdown()
    sys.exit(1 if faults else 0)


main()
