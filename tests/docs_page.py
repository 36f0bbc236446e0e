#!/usr/bin/env python3
"""The documentation page, drawn by a real browser that can reach nothing but the service.

usage: docs_page.py BASE_URL OPENAPI_JSON SCRATCH_DIR
"""
import json
import pathlib
import re
import shutil
import subprocess
import sys

FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         # No name resolves: whatever the page needs must come from the service itself.
         "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]


def main():
    base, document, scratch = sys.argv[1:4]
    run = [shutil.which("chromium") or sys.exit("chromium is not on the path"), *FLAGS,
           f"--user-data-dir={scratch}/profile", "--window-size=1200,1600", "--virtual-time-budget=15000"]
    page = subprocess.run([*run, "--dump-dom", f"{base}/docs/"], capture_output=True, text=True, timeout=120)
    shot = pathlib.Path(scratch, "docs.png")
    subprocess.run([*run, f"--screenshot={shot}", f"{base}/docs/"], capture_output=True, timeout=120, check=True)
    # The page breaks long paths with invisible marks: compare without any space.
    text = re.sub(r"\s|\u200b", "", re.sub(r"<[^>]+>", "", page.stdout))
    passed, failed = 0, 0
    spec = json.load(open(document))
    expected = [(method.upper(), path) for path, ops in spec["paths"].items() for method in ops]
    for method, path in expected:
        if method + path in text:
            passed += 1
        else:
            failed += 1
            print(f"the page does not show {method} {path}")
    if shot.stat().st_size < 10_000:
        failed += 1
        print("the picture of the page is empty")
    print(f"{passed} passed, {failed} failed")
    sys.exit(1 if failed or not passed else 0)


main()
