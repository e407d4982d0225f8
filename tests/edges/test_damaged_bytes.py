"""A short, seeded run of the byte damage of `fuzz.container`; `tests.fuzz` has the long one."""

from __future__ import annotations

import numpy as np
import pytest
from fuzz import child, container
from fuzz.container import damage, listed, make_clips, run

from landing_analysis.errors import ClipError
from landing_analysis.video import clips as video
from landing_analysis.wording import note_words


def test_damaged_bytes_end_in_frames_or_in_one_sentence():
    outcomes, findings = run(150, seed=1)
    assert not findings, listed(findings)
    assert outcomes["read"] + outcomes["read in part, said so"] > 20  # not all are refused
    assert sum(count for what, count in outcomes.items() if what.startswith("refused")) > 20


def test_the_same_seed_does_the_same_damage(tmp_path):
    data = make_clips(tmp_path)["index_first.mov"]
    assert damage(data, 7) == damage(data, 7)
    assert damage(data, 7) != damage(data, 8)
    assert {damage(data, seed)[0] for seed in range(40)} == {"flip", "zero", "cut", "noise"}


@pytest.mark.parametrize(
    ("behaviour", "answer"),
    [
        ("raise ValueError('no sentence')", "traceback: ValueError"),
        ("import os; os._exit(3)", "crash: exit code 3"),
        ("import time; time.sleep(60)", "hang"),
    ],
)
def test_the_reader_tells_a_traceback_a_crash_and_a_hang(tmp_path, monkeypatch, behaviour, answer):
    broken = f"import landing_analysis.video.clips as v\\ndef read_clip(path):\\n    {behaviour}\\n"
    start = child._START.replace(
        "from fuzz",
        f"exec({broken!r}.replace(chr(92) + 'n', chr(10))); v.read_clip = read_clip; from fuzz",
    )
    monkeypatch.setattr(child, "_START", start)
    reader = child.Child("container", 20.0 if answer != "hang" else 2.0)
    try:
        assert reader.ask(str(tmp_path / "clip.mp4")).startswith(answer)
    finally:
        reader.stop()


def test_the_judge_knows_a_wrong_success():
    times_s = np.arange(4) / 30
    judged = container._judged
    assert judged(times_s, times_s, noted=False) == "read"
    assert judged(times_s, times_s[:2], noted=True) == "read in part, said so"
    assert judged(times_s, times_s[:2], noted=False).startswith("wrong")
    assert judged(times_s, times_s + 1, noted=False).startswith("wrong")
    assert judged(times_s[::-1], times_s[::-1], noted=False).startswith("wrong")


def test_a_codec_that_nobody_knows_is_refused_in_one_sentence(tmp_path):
    path = tmp_path / "odd.mov"
    path.write_bytes(make_clips(tmp_path)["index_first.mov"].replace(b"avc1", b"zzz1"))
    with pytest.raises(ClipError, match="coded in a way that cannot be read here"):
        video.read_clip(path)


def test_a_list_of_pictures_that_is_cut_is_remarked(tmp_path):
    data = bytearray(make_clips(tmp_path)["index_last.mp4"])
    start, _ = container.find_box(bytes(data), b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stsz")
    data[start + 16 : start + 20] = (12).to_bytes(4, "big")  # sample count, ISO/IEC 14496-12 8.7.3
    path = tmp_path / "cut.mp4"
    path.write_bytes(data)
    clip = video.read_clip(path)
    assert clip.frames < container.FRAMES
    assert any("holds more than its list of pictures" in note_words(note) for note in clip.notes)


def test_a_whole_clip_has_no_remark_on_its_list(tmp_path):
    for name in make_clips(tmp_path):
        assert video.read_clip(tmp_path / name).notes == ()


def test_an_index_that_swallows_what_follows_is_no_whole_clip(tmp_path):
    # The index claims to reach into the first fragment's media; the rest is then no box.
    data = bytearray(make_clips(tmp_path)["fragments.mp4"])
    start, end = container.find_box(bytes(data), b"moov")
    data[start : start + 4] = (end - start + 2000).to_bytes(4, "big")
    path = tmp_path / "swallowed.mp4"
    path.write_bytes(data)
    with pytest.raises(ClipError):
        video.read_clip(path)
