#!/usr/bin/env python3
"""The agent against a hand-written monitor, side by side in one run.

Both sample the same machine at the same pace: about 60 signals, 10 watched programs among `--processes` processes, two
loopback connects, everything stored. A pair runs at the same time, so what the machine does meanwhile hits both; medians
of the ratios of pairs are what counts.

    python3 tests/bench/agent_vs_peer.py                     5 pairs of 40 s at 1 Hz, 200 processes, everything on
    python3 tests/bench/agent_vs_peer.py --same-work         without what the other one does not look at
    python3 tests/bench/agent_vs_peer.py --processes 485     growth with the number of processes
    python3 tests/bench/agent_vs_peer.py --extra-programs 118 growth with the number of signals: eight each
    python3 tests/bench/agent_vs_peer.py --extra-files 100   temperatures from files, each with a thread of its own

Needs: psutil; the binary that goes to the field PC (`.ci/build-static`).
"""
import argparse
import json
import os
import pathlib
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request

HERE = pathlib.Path(__file__).resolve().parent


def cpu_seconds(pid):
    """User and system time in seconds, from the scheduler's nanosecond account of each thread (clock ticks are too coarse)."""
    total = 0
    for t in os.listdir(f"/proc/{pid}/task"):
        with open(f"/proc/{pid}/task/{t}/schedstat") as f:
            total += int(f.read().split()[0])
    return total / 1e9


def io_write_bytes(pid):
    for line in open(f"/proc/{pid}/io"):
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    return 0


def peak_kb(pid):
    for line in open(f"/proc/{pid}/status"):
        if line.startswith("VmHWM:"):
            return int(line.split()[1])
    return 0


def listener():
    s = socket.socket()
    s.bind(("127.0.0.1", 0))
    s.listen(64)

    def serve():
        while True:
            try:
                c, _ = s.accept()
                c.close()
            except OSError:
                return

    threading.Thread(target=serve, daemon=True).start()
    return s, s.getsockname()[1]


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


BEYOND = ["every-program", "graphics", "kernel-log", "open-devices", "power", "storage", "wired"]


def configuration(a, folder, names, ports):
    lines = ['field = "bench"', "[agent]", f'every = "{a.every}s"']
    if a.same_work:
        lines += ["leave_out = [" + ", ".join(f'"{b}"' for b in BEYOND) + "]"]
        lines += ["[link.gateway]", 'to = "gateway"', "watch = false"]
    for n in names:
        lines += [f"[program.{n}]", f'executable = "{n}"']
    for i, p in enumerate(ports):
        lines += [f"[link.port-{i}]", 'to = "127.0.0.1"', f"port = {p}", f'every = "{a.every}s"']
    lines += ["[interface.lo]", 'device = "lo"', "[disk.root]", 'path = "/"']
    for i in range(a.extra_programs):
        lines += [f"[program.extra-{i}]", f'executable = "extra{i}"']
    for i in range(a.extra_files):
        f = folder / f"sensor{i}"
        f.write_text(f"{10 + i % 7}.5\n")
        lines += [f"[temperature.extra-{i}]", f'file = "{f}"', f'every = "{a.every}s"', 'place = "component"']
    path = folder / "bench.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def one_pair(a, folder, names, ports, number):
    http = free_port()
    config = configuration(a, folder, names, ports)
    env = dict(os.environ, XDG_STATE_HOME=str(folder / "state"))
    log = open(folder / f"agent{number}.log", "w")
    agent = subprocess.Popen(
        [a.agent, "watch", "--config", config, "--store", folder / f"agent{number}.db", "--listen", f"127.0.0.1:{http}"],
        env=env, stdout=log, stderr=log)
    deadline = time.time() + 20
    while True:
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{http}/", timeout=2).read()
            break
        except OSError:
            if time.time() > deadline or agent.poll() is not None:
                sys.exit("the agent did not answer:\n" + open(log.name).read()[-2000:])
            time.sleep(0.1)
    time.sleep(a.warm_up)
    cycles = round(a.seconds / a.every)
    peer = subprocess.Popen(
        [sys.executable, HERE / "peer_psutil.py", "--cycles", str(cycles), "--hz", str(1 / a.every),
         "--db", folder / f"peer{number}.db", "--procs", ",".join(names), "--tcp",
         ",".join(f"127.0.0.1:{p}" for p in ports), "--nics", "lo"], stdout=subprocess.PIPE, text=True)
    c0, w0, t0 = cpu_seconds(agent.pid), io_write_bytes(agent.pid), time.monotonic()
    out, _ = peer.communicate()
    c1, w1, t1 = cpu_seconds(agent.pid), io_write_bytes(agent.pid), time.monotonic()
    urllib.request.urlopen(f"http://127.0.0.1:{http}/", timeout=5).read()
    rss = peak_kb(agent.pid)
    signals = len(json.load(urllib.request.urlopen(f"http://127.0.0.1:{http}/api/v1/signals", timeout=5))["signals"])
    agent.send_signal(signal.SIGTERM)
    agent.wait(15)
    p = json.loads(out)
    agent_us = (c1 - c0) / ((t1 - t0) / a.every) * 1e6
    return {
        "signals": signals, "peer signals": p["signals"], "agent µs a cycle": agent_us,
        "peer µs a cycle": p["cpu_us_per_cycle"], "peer / agent": p["cpu_us_per_cycle"] / agent_us,
        "agent peak MB": rss / 1024, "peer peak MB": p["max_rss_kb"] / 1024,
        "agent writes MB/h": (w1 - w0) / (t1 - t0) * 3600 / 1e6,
        "peer writes MB/h": p["write_bytes"] / p["wall_s"] * 3600 / 1e6,
    }


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--agent", default=str(HERE.parent.parent / "dist/tilldawn-x86_64"),
                    help="the binary that goes to the field PC, as `.ci/build-static` makes it")
    ap.add_argument("--pairs", type=int, default=5)
    ap.add_argument("--seconds", type=float, default=40)
    ap.add_argument("--every", type=float, default=1.0, help="cycle in seconds")
    ap.add_argument("--warm-up", type=float, default=30, help="seconds; what is done once after the start has ended by then")
    ap.add_argument("--processes", type=int, default=200)
    ap.add_argument("--same-work", action="store_true", help="the probes are left out that have no counterpart in the other one")
    ap.add_argument("--extra-programs", type=int, default=0, help="so many more watched programs, eight signals each")
    ap.add_argument("--extra-files", type=int, default=0)
    a = ap.parse_args()
    if not pathlib.Path(a.agent).exists():
        sys.exit(f"{a.agent} is missing: run `.ci/build-static` first")
    folder = pathlib.Path(tempfile.mkdtemp(prefix="tilldawn-bench-"))
    names = [f"watched{i}" for i in range(10)]
    sleeper = shutil.which("sleep")
    kids, socks = [], []
    try:
        for n in names:
            shutil.copy(sleeper, folder / n)
            kids.append(subprocess.Popen([folder / n, "100000"]))
        present = sum(1 for p in os.listdir("/proc") if p.isdigit())
        kids += [subprocess.Popen([sleeper, "100000"]) for _ in range(max(0, a.processes - present))]
        socks = [listener(), listener()]
        rows = []
        for i in range(a.extra_programs):
            shutil.copy(sleeper, folder / f"extra{i}")
            kids.append(subprocess.Popen([folder / f"extra{i}", "100000"]))
        for number in range(a.pairs):
            row = one_pair(a, folder, names, [port for _, port in socks], number)
            rows.append(row)
            print("  ".join(f"{k} {v:.1f}" if isinstance(v, float) else f"{k} {v}" for k, v in row.items()), flush=True)
        print("| figure | least | median | most |\n| --- | --- | --- | --- |")
        for k in rows[0]:
            v = [r[k] for r in rows]
            print(f"| {k} | {min(v):.1f} | {statistics.median(v):.1f} | {max(v):.1f} |")
    finally:
        for k in kids:
            k.kill()
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
