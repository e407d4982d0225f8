"""How much memory a command and everything that it starts hold over time (Linux only).

The share of each process is its PSS: pages that n processes hold in common count 1/n in
each, so that the sum is what the machine spends.
"""

from __future__ import annotations

import csv
import subprocess
import time
from pathlib import Path

from matplotlib.figure import Figure


def measure(command: list[str], table: Path, every_s: float) -> int:
    """Run a command, write seconds, processes and megabytes to ``table``; return its exit code."""
    started_s = time.monotonic()
    with table.open("w", newline="") as file, subprocess.Popen(command) as process:
        rows = csv.writer(file)
        rows.writerow(("time_s", "processes", "memory_mb"))
        while process.poll() is None:
            shares = [share for pid in _tree(process.pid) if (share := _pss_mb(pid)) is not None]
            now_s = time.monotonic() - started_s
            rows.writerow((f"{now_s:.1f}", len(shares), f"{sum(shares):.1f}"))
            file.flush()
            try:
                process.wait(every_s)
            except subprocess.TimeoutExpired:
                continue
        return process.returncode


def memory_mb(pid: int) -> float:
    """Return what a process and all that came of it hold now."""
    return sum(share for one in _tree(pid) if (share := _pss_mb(one)) is not None)


def read(table: Path) -> tuple[list[float], list[float]]:
    """Return seconds and megabytes of a table."""
    with table.open(newline="") as file:
        rows = list(csv.DictReader(file))
    return [float(row["time_s"]) for row in rows], [float(row["memory_mb"]) for row in rows]


def plot(table: Path, picture: Path, ceiling_mb: float) -> None:
    """Draw a table as a small picture."""
    time_s, memory_mb = read(table)
    figure = Figure(figsize=(7, 3), layout="constrained")
    axis = figure.subplots()
    axis.plot([t / 60 for t in time_s], memory_mb, color="#0072b2", linewidth=1)
    axis.axhline(ceiling_mb, color="#333333", linestyle="--", linewidth=1)
    axis.annotate("ceiling", (0, ceiling_mb), xytext=(2, -10), textcoords="offset points")
    axis.set(xlabel="minutes", ylabel="memory of all processes, MB", xlim=0)
    axis.set_ylim(0, 1.1 * max(ceiling_mb, *memory_mb))
    figure.savefig(picture, dpi=110)


def _tree(pid: int) -> list[int]:
    """Return a process and all that came of it."""
    found = [pid]
    for parent in found:
        try:
            threads = list(Path(f"/proc/{parent}/task").iterdir())
            for thread in threads:
                found += map(int, (thread / "children").read_text().split())
        except OSError:
            continue  # it has just ended
    return found


def _pss_mb(pid: int) -> float | None:
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("Pss:")), None)
