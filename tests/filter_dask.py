#!/usr/bin/env python3
"""`steelyard assess -` as a filter in a cluster of dask.distributed: two worker processes on loopback.

The answers are those of a single process, though one worker is killed half-way through a partition.

    tests/filter_dask.py target/debug/steelyard
"""
import json
import os
import pathlib
import signal
import subprocess
import sys
import tempfile
import time

import dask
import dask.bag
import psutil
from distributed import Client, LocalCluster

LINES, PARTITIONS, VICTIM = 1200, 8, 3
PATIENCE = 120


def command(binary):
    return [binary, "assess", "-", "--jobs", "1"]


def assess(lines, binary):
    """One partition through the filter. Exit code 3: some lines were refused, each on its own line."""
    done = subprocess.run(command(binary), input="".join(lines), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                          text=True, check=False)
    if done.returncode not in (0, 3):
        raise RuntimeError(f"the filter ended with {done.returncode}")
    return done.stdout.splitlines()


def assess_once_slowly(lines, binary, victim, notes):
    """The same; but whoever first takes the victim's partition comes half-way and no further."""
    lines = list(lines)
    if lines[0] == victim:
        attempts = pathlib.Path(notes)
        first = not attempts.exists()
        with attempts.open("a") as out:
            out.write(f"{os.getpid()}\n")
        if first:
            half = subprocess.Popen(command(binary), stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
            half.stdin.write("".join(lines[:len(lines) // 2]))
            half.stdin.flush()
            half.stdout.readline()
            (attempts.parent / "half").write_text(str(half.pid))
            time.sleep(PATIENCE)
    return assess(lines, binary)


def until(what, holds):
    end = time.monotonic() + PATIENCE
    while not holds():
        if time.monotonic() > end:
            sys.exit(f"FAIL {what}")
        time.sleep(0.05)


def is_gone(pid):
    try:
        return psutil.Process(pid).status() == psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return True


def everything_listens_on_loopback(processes):
    listening = [c.laddr for p in processes for c in p.net_connections("inet") if c.status == psutil.CONN_LISTEN]
    return bool(listening) and all(address.ip in ("127.0.0.1", "::1") for address in listening)


def main():
    binary = str(pathlib.Path(sys.argv[1]).resolve())
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        lines = subprocess.run([binary, "sample", "--count", str(LINES), "--seed", "5"], check=True,
                               stdout=subprocess.PIPE, text=True).stdout.splitlines(keepends=True)
        for i in range(7, LINES, 97):
            lines[i] = '{"observations": [{"sign": "no_such_sign", "call": "present"}]}\n'
        size = LINES // PARTITIONS
        for n in range(PARTITIONS):
            (folder / f"{n}.ndjson").write_text("".join(lines[n * size:(n + 1) * size]))
        files = [str(folder / f"{n}.ndjson") for n in range(PARTITIONS)]

        alone = assess(lines, binary)
        assert len(alone) == LINES

        def as_of_the_whole(answers):
            """Refusals count lines from the beginning of their partition."""
            found = []
            for i, text in enumerate(answers):
                answer = json.loads(text)
                if "line" in answer:
                    answer["line"] += i // size * size
                found.append(answer)
            return found

        wanted = [json.loads(text) for text in alone]
        assert sum("line" in a for a in wanted) == len(range(7, LINES, 97))

        dask.config.set({"distributed.worker.daemon": False})
        with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None,
                          local_directory=str(folder / "work")) as cluster, Client(cluster) as client:
            me = psutil.Process()
            if not everything_listens_on_loopback([me, *me.children(recursive=True)]):
                sys.exit("FAIL the cluster listens elsewhere than on loopback")

            filtered = dask.bag.read_text(files).map_partitions(assess, binary)
            found = as_of_the_whole(client.compute(filtered).result(PATIENCE))
            if found != wanted:
                sys.exit("FAIL the cluster answers otherwise than one process")
            print(f"ok   {LINES} lines in {PARTITIONS} partitions on two workers: the answers of one process")

            notes = folder / "attempts"
            victim = lines[VICTIM * size]
            slowly = dask.bag.read_text(files).map_partitions(assess_once_slowly, binary, victim, str(notes))
            future = client.compute(slowly)
            until("nobody took the partition", (folder / "half").exists)
            worker, filtering = int(notes.read_text().split()[0]), int((folder / "half").read_text())
            os.kill(worker, signal.SIGKILL)
            found = as_of_the_whole(future.result(PATIENCE))
            attempts = notes.read_text().split()
            if len(attempts) != 2 or attempts[0] == attempts[1]:
                sys.exit(f"FAIL the killed worker's partition was not done again by another: {attempts}")
            if found != wanted:
                sys.exit("FAIL lines were lost or doubled with the killed worker")
            until("the killed worker's filter goes on", lambda: is_gone(filtering))
            print("ok   one worker killed half-way through a partition: done again, every line answered once")


if __name__ == "__main__":
    main()
