"""Pictures of patients stay on the machine: reading a clip and finding the body use no network.

Two watchers, since neither sees all. Python's audit hook, in every Python process that the
analysis starts, sees sockets made by Python code on any system. On Linux the analysis also runs
in a network namespace of its own without any route, where the kernel counts each attempt to
send, whoever makes it, native code included. A socket that is opened and never used stays
unseen by the second; native code on Windows and macOS is seen by neither.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SAMPLE = Path(__file__).parents[2] / "sample_clips" / "p01_jumps_front.mp4"

ANALYSE = f"""
import time
from itertools import islice
from pathlib import Path
from landing_analysis.landmarks.pose import find_poses
from landing_analysis.settings import PoseSettings
from landing_analysis.video.clips import read_clip, read_frames
path = Path({str(SAMPLE)!r})
clip = read_clip(path)
poses = find_poses(islice(read_frames(path), 3), clip, PoseSettings(workers=1))
assert poses.xy_px.shape == (3, 1, 33, 2)
"""

# Found by Python at start-up through PYTHONPATH, so also in the engine's process.
WATCH = """
import os, sys
def _watch(event, arguments):
    if event.split(".")[0] in ("socket", "urllib", "http", "ftplib", "smtplib"):
        with open(os.environ["WATCH_LOG"], "a") as log:
            log.write(event + "\\n")
sys.addaudithook(_watch)
with open(os.environ["WATCH_LOG"], "a") as log:
    log.write("watching\\n")
"""

COUNT = """
def attempts():
    '''What this namespace tried to send: IPv4 and IPv6 packets sent or without a route.'''
    lines = Path("/proc/net/snmp").read_text().splitlines()
    names, values = [line.split()[1:] for line in lines if line.startswith("Ip:")]
    counted = dict(zip(names, map(int, values)))
    for line in Path("/proc/net/snmp6").read_text().splitlines():
        name, value = line.split()
        if name in ("Ip6OutRequests", "Ip6OutNoRoutes"):
            counted[name] = int(value)
    return sum(counted.get(n, 0) for n in
               ("OutRequests", "OutNoRoutes", "Ip6OutNoRoutes"))
before = attempts()
"""

REACH_OUT = """
import socket
with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as s:
    try:
        s.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737
    except OSError:
        pass
"""


def _run_watched(code: str, tmp_path: Path) -> list[str]:
    (tmp_path / "sitecustomize.py").write_text(WATCH)
    log = tmp_path / "log"
    environment = {**os.environ, "PYTHONPATH": str(tmp_path), "WATCH_LOG": str(log)}
    subprocess.run([sys.executable, "-c", code], env=environment, check=True, timeout=300)
    return log.read_text().split()


def test_no_python_code_opens_a_socket(tmp_path):
    events = _run_watched(ANALYSE, tmp_path)
    assert events.count("watching") >= 2, "the engine's process was not watched"
    assert set(events) == {"watching"}


def test_the_audit_hook_would_see_a_socket(tmp_path):
    assert "socket.connect" in _run_watched(REACH_OUT, tmp_path)


def _run_in_own_network(code: str) -> int:
    if sys.platform != "linux" or shutil.which("unshare") is None:
        pytest.skip("needs Linux and the program unshare")
    enter = ["unshare", "--user", "--map-root-user", "--net"]
    if subprocess.run([*enter, "true"], capture_output=True, check=False).returncode != 0:
        pytest.skip("this machine does not let a user make a network namespace")
    script = f"from pathlib import Path\n{COUNT}\n{code}\nprint(attempts() - before)"
    result = subprocess.run(
        [*enter, sys.executable, "-c", script],
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    return int(result.stdout)


def test_no_code_at_all_tries_to_send():
    # Versions of the engine that report to a host do so within 3 s from a thread of their own;
    # the process that holds the engine is kept alive that long.
    waiting = ANALYSE.replace(
        "islice(read_frames(path), 3)",
        "(time.sleep(1.6 * (f.number > 0)) or f for f in islice(read_frames(path), 3))",
    )
    assert waiting != ANALYSE
    assert _run_in_own_network(waiting) == 0


def test_the_kernel_would_count_an_attempt():
    assert _run_in_own_network(REACH_OUT) > 0
