"""What the method needs of each costly step, and no more, from one clip's pictures to its report.

Contacts are found twice: with the stature's scale, and again with that of free fall. Two more
looks at the motion, at each slower rate, follow only where something speaks for slow motion. In a
front view the motion is also worked out before, to choose the frames that are looked at mirrored.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import pytest
from marked_engine import answers, marked_clip, stand_in
from stick_patient import jump_plan, make_clip, make_motion, make_poses

from landing_analysis import analysing, search
from landing_analysis.analysing import analyse_clip
from landing_analysis.landmarks import pose
from landing_analysis.landmarks.people import link_people
from landing_analysis.reps import turning
from landing_analysis.settings import Settings
from landing_analysis.stages import Options, analyse_people, candidates, finding, moments, motion
from landing_analysis.tables import LIMBS

NEEDED = {
    "link_people": 1, "choose_patient": 1, "watch_bystanders": 1, "estimate_view": 1,
    "clean_tracks": 1, "find_contacts": 2, "group_reps": 1, "measure_reps": 1, "summarise": 1,
}  # fmt: skip

TO_MIRROR = Counter([
    "choose_patient", "watch_bystanders", "estimate_view", "clean_tracks", "find_contacts",
    "group_reps",
])  # fmt: skip


@pytest.fixture
def calls(monkeypatch) -> Counter[str]:
    from landing_analysis.measures import summaries

    count: Counter[str] = Counter()

    def counted(name: str, function: Callable) -> Callable:
        def call(*args, **kwargs):
            count[name] += 1
            return function(*args, **kwargs)

        return call

    for name in NEEDED:
        for module in (analysing, search, candidates, finding, moments, motion, turning, summaries):
            if hasattr(module, name):
                monkeypatch.setattr(module, name, counted(name, getattr(module, name)))
    return count


def test_an_ordinary_clip_is_worked_out_once(tmp_path, monkeypatch, calls):
    path = tmp_path / "set.mp4"
    marked_clip(path)
    monkeypatch.setattr(pose, "engines", stand_in(answers()))
    outcome = analyse_clip(path, tmp_path / "reports", Options(annotated_clip=False))
    assert outcome.error is None
    assert calls == Counter(NEEDED) + TO_MIRROR
    calls.clear()
    analyse_clip(path, tmp_path / "reports", Options(annotated_clip=False))
    assert dict(calls) == NEEDED


def test_the_clock_is_tried_at_slower_rates_only_where_no_flight_explains_the_lifted_feet(calls):
    landmarks = make_motion(jump_plan(4), "front", LIMBS)[0]
    slowed = replace(landmarks, t_s=8 * landmarks.t_s)
    clip, poses = make_clip(slowed, "slow.mp4"), make_poses(slowed)
    people = link_people(poses, Settings().people)
    found = analyse_people(clip, poses, people, Options(), "2031-02-03T10:11:12+00:00")
    assert found.decided.time_base.doubt is not None
    assert calls["clean_tracks"] > NEEDED["clean_tracks"]
