#!/usr/bin/env python3
"""Memory of `steelyard assess -` does not grow with the lines: a million of them in under 150 MiB.

    tests/flat_memory.py target/release/steelyard [LINES]

Every line must be answered, in order. The most memory held is `VmHWM` of proc_pid_status(5), read after the
last answer and before the input ends.
"""
import subprocess
import sys
import threading
import time

MOST_MIB = 150


def main():
    binary, count = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000
    filtering = subprocess.Popen([binary, "assess", "-"], stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def feed():
        line = ('{"id":"%d","seller":{"segment":"private_estate"},"observations":[{"sign":"dial_too_fresh","call":"present"},'
                '{"sign":"crown_unsigned","call":"absent"}],"include":[]}\n')
        for first in range(0, count, 1000):
            filtering.stdin.write("".join(line % i for i in range(first, min(first + 1000, count))).encode())
        filtering.stdin.flush()

    begun = time.monotonic()
    feeding = threading.Thread(target=feed, daemon=True)
    feeding.start()
    for i in range(count):
        answer = filtering.stdout.readline()
        if not answer.startswith(b'{"listing":"%d",' % i):
            sys.exit(f"FAIL line {i + 1} is answered with {answer[:200]!r}")
    seconds = time.monotonic() - begun
    with open(f"/proc/{filtering.pid}/status", encoding="ascii") as status:
        peak = next(int(line.split()[1]) for line in status if line.startswith("VmHWM:")) / 1024
    filtering.stdin.close()
    rest = filtering.stdout.read()
    if filtering.wait(60) != 0 or rest:
        sys.exit(f"FAIL it ended with {filtering.returncode} and {rest[:200]!r}")
    if peak >= MOST_MIB:
        sys.exit(f"FAIL {count} lines took {peak:.0f} MiB")
    print(f"ok   {count} lines answered in order, {peak:.0f} MiB at most, {seconds:.0f} s")


main()
