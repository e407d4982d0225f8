"""Clip -> Poses: the pose model looks, in one pass or two, while others watch the frames."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from landing_analysis.camera.path import find_camera_path
from landing_analysis.camera.stabilisation import cut
from landing_analysis.clock.repeats import find_repeats, watch_changes
from landing_analysis.findings.quality import damage_notes, repeats_note
from landing_analysis.landmarks import choosing, mirroring, pose
from landing_analysis.landmarks.light import Look, measure_light, watch_light
from landing_analysis.landmarks.people import link_people
from landing_analysis.landmarks.unfinished import Parts
from landing_analysis.progress import StartProgress, no_progress
from landing_analysis.settings import Settings
from landing_analysis.stages import frames_to_mirror, moments_that_count
from landing_analysis.tables import (
    NO_PICTURE,
    Background,
    Clip,
    Frame,
    Landmarks,
    Poses,
    Seen,
    Segment,
)
from landing_analysis.video.clips import read_frames, with_frame_times

People = tuple[Landmarks, ...]


class Found(NamedTuple):
    """What one look at every frame gives: the clip's facts, all bodies, and who is who."""

    clip: Clip
    poses: Poses
    people: People


@dataclass(frozen=True)
class _Watch:
    """What is noticed of the pictures besides the people in them, while frames stream."""

    numbers: list[int] = field(default_factory=list)
    t_s: list[float] = field(default_factory=list)
    changes: list[float] = field(default_factory=list)
    segments: list[Segment] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)

    def over(
        self, path: Path, clip: Clip, settings: Settings, rounds: tuple[int, ...] = ()
    ) -> Iterator[Frame]:
        """Pass on every frame, with its picture where it is watched or may be looked at.

        ``rounds`` are those of `choosing.steps`; the pictures of the first are watched, too.
        """
        from landing_analysis.camera.background import watch_background

        every = choosing.step_of(clip.median_fps, settings.background.rate_hz, settings.pose)
        watched = _one_of((every, *rounds[:1]))
        wanted = _one_of((every, *rounds[:2]))
        frames = read_frames(path, clip, wanted, settings.repeats.short_side_samples)
        whole: deque[Frame] = deque()  # the one under way; `tee` would keep dozens
        frames = _kept(frames, whole)
        frames = (f if watched(f.number) else f._replace(rgb=NO_PICTURE) for f in frames)
        frames = watch_changes(self._listed(frames), self.changes, settings.repeats)
        frames = watch_background(frames, self.segments, settings.background)
        frames = watch_light(frames, self.looks, settings.looks)
        return (whole.popleft() for _ in frames)

    def _listed(self, frames: Iterator[Frame]) -> Iterator[Frame]:
        for frame in frames:
            self.numbers.append(frame.number)
            self.t_s.append(frame.t_s)
            yield frame

    def added_to(self, poses: Poses, settings: Settings) -> tuple[Poses, People]:
        """Add the light, and how the camera moved, to poses of the same frames."""
        if not len(poses.t_s):
            return poses, ()
        background = Background(len(poses.t_s), tuple(self.segments))
        people = link_people(poses, settings.people)
        poses = replace(
            poses,
            light=measure_light(self.looks, poses, settings.looks),
            camera=find_camera_path(background, poses, people, settings.camera),
        )
        return poses, people


def find_people(
    path: Path,
    clip: Clip,
    model: pose.Model,
    parts: Parts,
    settings: Settings,
    start: StartProgress = no_progress,
) -> Found:
    """Look for people, a moving camera, light and repeated pictures in every frame of a clip.

    Parameters
    ----------
    path, clip : the file and its facts
    model : of the pose engine
    parts : where what is found is stored meanwhile; a stopped search goes on from there
    settings : Settings
    start : gives the listener of the search

    Returns
    -------
    Found
        Without the frames that damage has spoilt or that show the last picture again.

    Raises
    ------
    ClipError, ModelError, OutputError
    """
    watch = _Watch()
    rounds = choosing.steps(clip.median_fps, settings.pose)
    with pose.started(clip, settings.pose, model) as engine:
        first = parts.of_pass(0)
        first.recall(clip.sha256, model.sha256)
        at_most = len(range(0, clip.frames, rounds[:2][-1]))
        with closing(start(f"{clip.file}: finding the body", at_most)) as progress:
            choice = choosing.FirstPass(rounds, first.seen, progress, settings.pose)
            frames = choice.chosen(watch.over(path, clip, settings, rounds))
            first.store(choice.noted(engine.look_for_people(frames, progress)))
        seen = _by_frame(first.seen)

        def look_at(
            wanted: frozenset[int],
            number: int,
            label: str,
            *,
            mirrored: bool = False,
            closer: Iterable[int] = (),
        ) -> list[Seen]:
            """Look at the frames of some numbers in one more pass over the clip."""
            own = parts.of_pass(number)
            own.recall(clip.sha256, model.sha256)
            with closing(start(f"{clip.file}: {label}", len(wanted))) as progress:
                new = wanted - {one.number for one in own.seen}
                progress.advance(len(wanted) - len(new))
                pictures = _pictures(path, clip, new)
                relaid = dict.fromkeys(closer, mirroring.relaid_closer(settings.pose))
                looks = engine.look_for_people(pictures, progress, mirrored=mirrored, relaid=relaid)
                own.store(looks)
            return own.seen

        if rounds[2:]:
            timed = _timed(rounds[2], seen, watch, clip, model, settings)
            seen = _by_frame([*seen, *look_at(timed, 1, "looking closer")])
        poses, people = watch.added_to(
            pose.poses_of(seen, watch.numbers, watch.t_s, clip, model), settings
        )
        to_mirror = frames_to_mirror(poses, people, settings)
        if to_mirror is not None:
            numbers = np.array(watch.numbers)
            wanted = frozenset(numbers[to_mirror.frames].tolist())
            closer = numbers[to_mirror.closer].tolist()
            label = "looking at it mirrored"
            mirrored = look_at(wanted, 2, label, mirrored=True, closer=closer)
            mirrored_px = mirroring.seen_mirrored(
                mirrored, numbers, to_mirror.patient, settings.pose.mirrored_torsos
            )
            poses = replace(poses, mirrored_px=mirrored_px)
    return _whole_and_once(Found(clip, poses, people), watch, settings)


def _one_of(steps: tuple[int, ...]) -> Callable[[int], bool]:
    """Return what says whether a number is a multiple of any of some steps."""
    return lambda number: any(number % step == 0 for step in steps)


def _kept(frames: Iterator[Frame], whole: deque[Frame]) -> Iterator[Frame]:
    """Pass frames on, and keep each until it is taken from ``whole``."""
    for frame in frames:
        whole.append(frame)
        yield frame


def _by_frame(seen: list[Seen]) -> list[Seen]:
    return sorted(seen, key=lambda one: one.number)


def _timed(
    step: int,
    seen: list[Seen],
    watch: _Watch,
    clip: Clip,
    model: pose.Model,
    settings: Settings,
) -> frozenset[int]:
    """Return the numbers of the frames to be looked at because something is timed there."""
    numbers, t_s = np.array(watch.numbers), np.array(watch.t_s)
    poses = pose.poses_of(seen, watch.numbers, watch.t_s, clip, model)
    moments_s = moments_that_count(*watch.added_to(poses, settings), settings)
    chosen = choosing.timed_frames(numbers, t_s, seen, moments_s, settings.pose)
    looked = {one.number for one in seen}
    return frozenset(
        int(number) for number in numbers[chosen] if number % step == 0 and number not in looked
    )


def _pictures(path: Path, clip: Clip, wanted: frozenset[int]) -> Iterator[Frame]:
    """Yield the frames of some numbers, and read no further than the last one."""
    left = len(wanted)
    frames = read_frames(path, clip, wanted.__contains__) if wanted else iter(())
    for frame in frames:
        if frame.number in wanted:
            yield frame
            left -= 1
            if not left:
                return


def look_around(
    path: Path, clip: Clip, poses: Poses, settings: Settings, start: StartProgress = no_progress
) -> Found:
    """Add camera and light to stored poses that do not know of them, without the pose model.

    Poses from which frames were left out stay as they are.
    """
    if poses.camera is not None and poses.light is not None:
        return Found(clip, poses, link_people(poses, settings.people))
    watch, seen = _Watch(), 0
    with closing(start(f"{clip.file}: looking at the room", clip.frames)) as progress:
        for _ in watch.over(path, clip, settings):
            seen += 1
            progress.advance(1)
    if seen == len(poses.t_s):
        return Found(clip, *watch.added_to(poses, settings))
    return Found(clip, poses, link_people(poses, settings.people))


def _whole_and_once(found: Found, watch: _Watch, settings: Settings) -> Found:
    """Leave out of a clip the frames that damage has spoilt and those shown before."""
    clip, poses, people = found
    notes = damage_notes(clip.t_s, poses.t_s)
    repeats = find_repeats(poses.t_s, np.array(watch.changes), settings.repeats)
    if repeats.any():
        notes += (repeats_note(poses.t_s, repeats),)
        once = ~repeats
        poses = replace(
            poses,
            t_s=poses.t_s[once],
            xy_px=poses.xy_px[once],
            visibility=poses.visibility[once],
            world_m=poses.world_m[once],
            camera=poses.camera and cut(poses.camera, once),
            looked=None if poses.looked is None else poses.looked[once],
            mirrored_px=None if poses.mirrored_px is None else poses.mirrored_px[once],
        )
        people = link_people(poses, settings.people)
    if not notes:
        return found
    clip = with_frame_times(replace(clip, notes=(*clip.notes, *notes)), poses.t_s)
    return Found(clip, poses, people)
