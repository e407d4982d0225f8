"""The clinic's window over a stick figure's clips, served as it is to a browser."""

from __future__ import annotations

import http.client
import json
import re
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
from stand_in import job
from stick_patient import jump_plan, make_clip, make_motion, make_poses

from landing_analysis.analysing import LANDMARKS, analyse_clip
from landing_analysis.files import sha256_of
from landing_analysis.findings.limits import read_limits
from landing_analysis.folder.watch import Job
from landing_analysis.folder.worker import Result
from landing_analysis.landmarks.storage import write_landmarks
from landing_analysis.patients import Patient
from landing_analysis.record.database import open_record
from landing_analysis.record.patients import add_patient, list_patients
from landing_analysis.record.place import DataFolder, data_folder
from landing_analysis.report.documents import analysis_document
from landing_analysis.stages import Options
from landing_analysis.tables import LIMBS
from landing_analysis.video.clips import write_clip
from landing_analysis.window.guard import COOKIE, Keys
from landing_analysis.window.reanalysis import Analyses
from landing_analysis.window.rewriting import Rewriting
from landing_analysis.window.running import first_address, listening, server_of
from landing_analysis.window.state import Window
from landing_analysis.window.working import Working, watching

PATIENCE_S = 60.0  # far longer than anything here takes
MOTION = make_motion(jump_plan(4), "front", LIMBS)[0]
_SMALL_PX = (72, 128)


def drawn_clip(path: Path, seed: int = 0) -> Path:
    """Write a small clip with a frame, each of another grey, for each of the stick figure."""
    path.parent.mkdir(parents=True, exist_ok=True)
    width, height = _SMALL_PX
    aside = path.with_name(f".{path.name}.part")
    with write_clip(aside.with_suffix(".mp4"), width, height) as writer:
        for number, t_s in enumerate(MOTION.t_s):
            rgb = np.full((height, width, 3), 40 + number % 150, np.uint8)
            rgb[: 8 + seed] = 200
            writer.write(rgb, float(t_s))
    aside.with_suffix(".mp4").rename(path)
    return path


def analyse_drawn(path: Path, out_dir: Path, options: Options, start: object) -> Result:
    """Analyse the stick figure in a clip's stead, with all stages after the pose model."""
    stored = path
    if path.name != LANDMARKS:
        stored = out_dir / path.stem / LANDMARKS
        if not stored.is_file():
            stored.parent.mkdir(parents=True, exist_ok=True)
            clip = replace(make_clip(MOTION, path.name), sha256=sha256_of(path))
            write_landmarks(stored, make_poses(MOTION), clip)
    outcome = analyse_clip(stored, out_dir, options)
    document = json.loads(json.dumps(analysis_document(outcome.analysis)))
    return Result(document, outcome.report.parent)


@dataclass
class Answer:
    """What the window answered."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    @property
    def json(self) -> dict:
        return json.loads(self.body)


@dataclass
class Served:
    """One window that is open, and how to ask it as its own pages do."""

    folder: DataFolder
    root: Path
    address: str
    keys: Keys
    new_address: Callable[[], str]
    settle: Callable[[], None]
    rewritten: Callable[[], None]
    headers: dict[str, str] = field(default_factory=dict)

    @property
    def host(self) -> str:
        return re.sub(r"http://([^/]+)/.*", r"\1", self.address)

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> Answer:
        """Ask anything; headers replace those of our own pages, an empty one leaves it away."""
        connection = http.client.HTTPConnection(self.host, timeout=PATIENCE_S)
        own = {"Cookie": f"{COOKIE}={self.keys.session}", "Origin": f"http://{self.host}"}
        given = {name.replace("_", "-"): value for name, value in headers.items()}
        sent = {name: value for name, value in {**own, **given}.items() if value}
        connection.putrequest(method, path, skip_host="Host" in sent)
        for name, value in sent.items():
            connection.putheader(name, value)
        if body is not None and "Content-Length" not in sent and "Transfer-Encoding" not in sent:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        found = Answer(answer.status, dict(answer.getheaders()), answer.read())
        connection.close()
        return found

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, **headers)

    def post(self, path: str, fields: Mapping[str, str] | None = None, **headers: str) -> Answer:
        """Send a form as our own pages do, asking for JSON, and wait for what follows it."""
        body = urlencode(fields or {}).encode()
        sent = {
            "Content_Type": "application/x-www-form-urlencoded", "Accept": "application/json",
            "X_Window_Token": self.keys.token, **headers,
        }  # fmt: skip
        answer = self.ask("POST", path, body, **sent)
        self.settle()
        return answer

    def wait_for(self, words: str, path: str = "/") -> str:
        """Ask for a page until it says something."""
        until_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < until_s:
            text = self.get(path).text
            if words in text:
                return text
            time.sleep(0.1)
        raise AssertionError(f"{path} never said {words!r}")

    def clips(self) -> list[str]:
        """Return the addresses of the clips with results, the one analysed last first."""
        return list(dict.fromkeys(re.findall(r'href="(/clip/[0-9a-f]+)"', self.get("/").text)))


@contextmanager
def window(base: Path, *codes: str, watched: bool = True, **how: object) -> Iterator[Served]:
    """Open a window over a data folder and a drop folder below one folder."""
    root = base / "drop"
    root.mkdir(parents=True, exist_ok=True)
    folder = data_folder(base / "data")
    with open_record(folder) as record:
        known = {patient.code for patient in list_patients(record)}
        for code in codes:
            if code not in known:
                add_patient(record, Patient(code, surgical_side="left"))
    todo: Job = job(root, analyse_drawn, options=Options(limits=read_limits()), **how)
    keys, working = Keys(), Working()
    with listening(0) as listener:
        opened = Window(folder, todo, keys, working, Analyses(), Rewriting(folder, working), "T1")
        server = server_of(opened, listener)
        thread = threading.Thread(target=server.run, args=([listener],))
        thread.start()
        try:
            while not server.started:
                time.sleep(0.01)
            served = Served(
                folder, root, first_address(keys, listener), keys,
                lambda: first_address(keys, listener), opened.afterwards.settle,
                opened.rewriting.settle,
            )  # fmt: skip
            if watched:
                with watching(folder, todo, working):
                    yield served
            else:
                yield served
        finally:
            server.should_exit = True
            thread.join()
            opened.afterwards.settle()
            opened.rewriting.settle()
            opened.again.settle()
