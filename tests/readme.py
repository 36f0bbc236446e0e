#!/usr/bin/env python3
"""Runs the commands of README.md and compares what they print with what README.md shows.

A block that begins with `$ ` is a command and its output. A line `[...]` stands for any lines.
Ports and the names that the service makes up differ from run to run and are not compared; long decimals are compared to six places.
"""
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import textwrap
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent


def blocks(text):
    for block in re.findall(r"^( *```console\n.*?)```", text, re.S | re.M):
        first, *rest = textwrap.dedent(block).split("\n")[1:-1]
        command = first.removeprefix("$ ")
        while command.count("'") % 2:
            command += "\n" + rest.pop(0)
        yield command, rest


def same(shown, printed):
    """Whether the shown lines are the printed ones, `[...]` standing for any."""
    pattern = r"\n".join(r"(?:.*\n)*?.*" if s.strip() == "[...]" else re.escape(s) for s in shown)
    return re.fullmatch(pattern, "\n".join(printed)) is not None


def normal(text):
    text = re.sub(r"127\.0\.0\.1:\d+", "127.0.0.1:PORT", text)
    text = re.sub(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", "NAME-OF-ITS-OWN", text)
    text = re.sub(r"-?\d+\.\d{7,}(e-\d+)?", lambda m: f"{float(m[0]):.6f}", text)
    return [line.rstrip() for line in text.rstrip("\n").split("\n")]


def main():
    passed, failed = 0, 0
    service, base = None, None
    scratch = tempfile.TemporaryDirectory()
    os.environ["TMPDIR"] = scratch.name
    try:
        for command, shown in blocks((ROOT / "README.md").read_text()):
            if command.endswith("tests/all"):
                continue
            if command.endswith("-- serve"):
                subprocess.run(["cargo", "build", "--release", "--quiet", "-p", "steelyard"], cwd=ROOT, check=True)
                # In a folder of its own: what README.md saves is nothing of the reader's.
                serve = [ROOT / "target/release/steelyard", "serve", "--listen", "127.0.0.1:0",
                         "--data", f"{scratch.name}/data"]
                service = subprocess.Popen(serve, stderr=subprocess.PIPE, text=True)
                printed = service.stderr.readline()
                base = re.search(r"http://[\d.:]+", printed).group(0)
            else:
                if base:
                    command = command.replace("http://127.0.0.1:8377", base)
                command = command.replace("cargo run --release", "cargo run --release --quiet")
                if "pgrep" in command and service:
                    time.sleep(0.2)
                    command = command.replace("$(pgrep -n -x steelyard)", str(service.pid))
                printed = subprocess.run(["bash", "-c", command], cwd=ROOT, stdout=subprocess.PIPE,
                                         stderr=subprocess.STDOUT, text=True, timeout=1200, check=False).stdout
            if same(normal("\n".join(shown)), normal(printed)):
                passed += 1
                print(f"ok   {command[:90]}")
            else:
                failed += 1
                print(f"FAIL {command[:200]}\n--- README.md\n" + "\n".join(shown) + f"\n--- printed\n{printed}")
    finally:
        if service:
            service.terminate()
            service.wait(20)
        scratch.cleanup()
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed or not passed else 0)


main()
