"""Clips as phones store them: turned, mirrored, of varying rate, trimmed, cut short."""

from __future__ import annotations

from fractions import Fraction
from itertools import islice
from pathlib import Path

import av
import numpy as np
import pytest
from marked_clips import (
    MATRICES,
    draw_frame,
    read_corners,
    read_number,
    shift_start,
    write_marked_clip,
)
from numpy.testing import assert_allclose

from landing_analysis.errors import (
    ClipError,
    IncompleteClipError,
    MissingClipError,
    NoVideoError,
    OrientationError,
    OutputError,
)
from landing_analysis.video.clips import (
    list_clips,
    read_clip,
    read_frames,
    read_frames_at,
    with_frame_times,
    write_clip,
)
from landing_analysis.video.orientation import read_display_matrix

CLOCK_TICK_S = 1 / 90_000
COLOUR_STEP = 12  # grey levels lost in 4:2:0 and quantisation at crf 23 on flat colours

# What a viewer shows of corners stored as red, green / blue, white, under each matrix: the stored
# corner (x, y) is shown at (a x + c y, b x + d y), ISO/IEC 14496-12; worked out by hand.
SHOWN_CORNERS = {
    "upright": "RGBW",
    "cw90": "BRWG",
    "half": "WBGR",
    "ccw90": "GWRB",
    "reverse_columns": "GRWB",
    "reverse_rows": "BWRG",
    "transpose": "RBGW",
    "transverse": "WGBR",
}
MIRRORED = {"reverse_columns", "reverse_rows", "transpose", "transverse"}


def varying_times_s() -> np.ndarray:
    """120 frames a second with frames left out here and there and two long gaps."""
    return np.delete(np.arange(240) / 120, np.r_[40:50, 100:131, 7:200:7])


@pytest.mark.parametrize("matrix", MATRICES)
def test_each_display_matrix_is_honoured(tmp_path, matrix):
    path = write_marked_clip(tmp_path / "turned.mp4", np.arange(3) / 30, matrix=matrix)
    clip = read_clip(path)
    rgb = next(read_frames(path)).rgb
    assert read_corners(rgb) == SHOWN_CORNERS[matrix]
    assert rgb.shape == (clip.height_px, clip.width_px, 3)
    assert clip.mirrored == (matrix in MIRRORED)
    assert [note.check for note in clip.notes] == (["mirrored"] if clip.mirrored else [])


def test_a_skewed_display_matrix_is_refused():
    numbers = np.array([46341, 46341, 0, -46341, 46341, 0, 0, 0, 1 << 30], np.int32)
    with pytest.raises(OrientationError, match="no plain turn"):
        read_display_matrix(numbers.tobytes())


@pytest.mark.parametrize("size", [(412, 732), (540, 960), (1080, 1920), (405, 720)])
@pytest.mark.parametrize("matrix", ["upright", "cw90"])
def test_every_width_arrives_contiguous_and_unsheared(tmp_path, size, matrix):
    pix_fmt = "yuv444p" if size[0] % 2 else "yuv420p"
    path = write_marked_clip(tmp_path / "w.mp4", [0, 0.04], size, matrix=matrix, pix_fmt=pix_fmt)
    frame = list(read_frames(path))[1]
    assert frame.rgb.flags.c_contiguous
    assert frame.rgb.dtype == np.uint8
    assert read_corners(frame.rgb) == SHOWN_CORNERS[matrix]
    if matrix == "upright":
        assert read_number(frame.rgb) == 1


@pytest.mark.parametrize("b_frames", [0, 2])
def test_frames_come_at_their_own_times(tmp_path, b_frames):
    t_s = varying_times_s()
    path = write_marked_clip(tmp_path / "v.mp4", t_s, b_frames=b_frames)
    clip = read_clip(path)
    frames = list(read_frames(path))
    assert_allclose(clip.t_s, t_s, atol=CLOCK_TICK_S)
    assert_allclose([frame.t_s for frame in frames], clip.t_s, atol=0)
    assert [frame.number for frame in frames] == list(range(len(t_s)))
    assert [read_number(frame.rgb) for frame in frames] == list(range(len(t_s)))
    assert_allclose(clip.median_fps, 120, rtol=1e-3)


def test_the_rate_is_the_usual_interval_and_not_frames_over_duration(tmp_path):
    path = write_marked_clip(tmp_path / "gap.mp4", [*np.arange(30) / 30, 5.0])
    clip = read_clip(path)
    assert_allclose(clip.median_fps, 30, rtol=1e-3)
    assert_allclose(clip.duration_s, 5.0 + 1 / 30, atol=1e-3)


@pytest.mark.parametrize("b_frames", [0, 2])
def test_a_trimmed_clip_has_no_frames_from_before_its_start(tmp_path, b_frames):
    t_s = np.arange(90) / 30
    whole = write_marked_clip(tmp_path / "whole.mp4", t_s, b_frames=b_frames)
    path = shift_start(whole, tmp_path / "trim.mp4", 1.5)
    clip = read_clip(path)
    frames = list(read_frames(path))
    assert_allclose([frame.t_s for frame in frames], clip.t_s, atol=0)
    assert read_number(frames[0].rgb) == 45
    assert clip.frames == 45


def test_a_late_start_is_kept(tmp_path):
    path = write_marked_clip(tmp_path / "late.mp4", 0.25 + np.arange(10) / 30)
    assert_allclose(read_clip(path).t_s[0], 0.25, atol=CLOCK_TICK_S)


def test_frames_come_without_a_picture_where_nobody_wants_it(tmp_path):
    path = write_marked_clip(tmp_path / "clip.mp4", np.arange(9) / 30)
    every = list(read_frames(path))
    few = list(read_frames(path, pictures=lambda number: number % 2 == 0, brightness_px=20))
    assert [frame[:2] for frame in few] == [frame[:2] for frame in every]
    assert [frame.has_picture for frame in few] == [True, False] * 4 + [True]
    assert all(frame.brightness is not None and min(frame.brightness.shape) >= 20 for frame in few)
    assert all(frame.brightness is None for frame in every)


@pytest.mark.parametrize("b_frames", [0, 2])
def test_chosen_frames_are_the_ones_asked_for(tmp_path, b_frames):
    t_s = 0.25 + np.arange(240) / 60
    path = write_marked_clip(tmp_path / "long.mp4", t_s, b_frames=b_frames, key_frame_every=50)
    clip = read_clip(path)
    wanted = [239, 0, 3, 100, 101, 100, 180]
    found = list(read_frames_at(path, clip, wanted))
    assert [frame.number for frame in found] == sorted(set(wanted))
    assert [read_number(frame.rgb) for frame in found] == sorted(set(wanted))


def test_another_clip_under_the_same_name_is_noticed(tmp_path):
    path = write_marked_clip(tmp_path / "a.mp4", np.arange(30) / 30)
    clip = read_clip(path)
    write_marked_clip(path, np.arange(30) / 29)
    with pytest.raises(ClipError, match="has changed since"):
        list(read_frames_at(path, clip, [20]))


def test_pixels_that_are_not_square_are_made_square(tmp_path):
    path = write_marked_clip(
        tmp_path / "wide.mp4", [0, 0.04], size=(480, 360), aspect=Fraction(4, 3)
    )
    clip = read_clip(path)
    assert (clip.width_px, clip.height_px) == (640, 360)
    assert next(read_frames(path)).rgb.shape == (360, 640, 3)


def test_a_clock_that_stands_still_is_refused(tmp_path):
    clip = read_clip(write_marked_clip(tmp_path / "a.mp4", np.arange(5) / 30))
    with pytest.raises(ClipError, match="damaged clock"):
        with_frame_times(clip, np.array([0.0, 0.1, 0.1]))
    with pytest.raises(ClipError, match="more than a day"):
        with_frame_times(clip, np.array([0.0, 0.1, 90_000.0]))
    with pytest.raises(ClipError, match="fewer than two pictures"):
        with_frame_times(clip, np.array([0.1]))


# --- files that are no clip, or only part of one


@pytest.fixture(scope="module")
def whole_clips(tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("whole")
    t_s = np.arange(60) / 30
    options = {
        "index_last.mp4": {},
        "index_first.mp4": {"movflags": "+faststart"},
        "in_fragments.mp4": {"movflags": "+frag_keyframe+empty_moov"},
        "matroska.mkv": {},
    }
    return {
        name: write_marked_clip(folder / name, t_s, options=chosen)
        for name, chosen in options.items()
    }


NAMES = ["index_last.mp4", "index_first.mp4", "in_fragments.mp4", "matroska.mkv"]


@pytest.mark.parametrize("name", NAMES)
def test_a_whole_clip_is_accepted(whole_clips, name):
    clip = read_clip(whole_clips[name])
    assert clip.frames == 60
    assert clip.notes == ()


@pytest.mark.parametrize("name", NAMES)
def test_a_clip_cut_short_is_called_incomplete(tmp_path, whole_clips, name):
    data = whole_clips[name].read_bytes()
    path = tmp_path / name
    path.write_bytes(data[: len(data) * 6 // 10])
    with pytest.raises(IncompleteClipError, match=r"is incomplete.*copy it from the phone again"):
        read_clip(path)


@pytest.mark.parametrize("end", [1.0, 0.75])
def test_zeros_in_place_of_pictures_are_called_incomplete(tmp_path, whole_clips, end):
    data = bytearray(whole_clips["index_first.mp4"].read_bytes())
    hole = slice(len(data) * 6 // 10, int(len(data) * end))
    data[hole] = bytes(hole.stop - hole.start)
    path = tmp_path / "hole.mp4"
    path.write_bytes(data)
    with pytest.raises(IncompleteClipError):
        read_clip(path)


def test_stray_bytes_after_a_whole_clip_are_noted_only(tmp_path, whole_clips):
    path = tmp_path / "stray.mp4"
    path.write_bytes(whole_clips["index_first.mp4"].read_bytes() + b"left-over of an app")
    clip = read_clip(path)
    assert clip.frames == 60
    assert [note.check for note in clip.notes] == ["file"]


def test_what_is_no_video_is_refused_in_one_sentence(tmp_path):
    (tmp_path / "text.mp4").write_text("a shopping list\n" * 50)
    (tmp_path / "zeros.mp4").write_bytes(bytes(100_000))
    (tmp_path / "noise.mp4").write_bytes(np.random.default_rng(1).bytes(100_000))
    for name in ("text.mp4", "zeros.mp4", "noise.mp4"):
        with pytest.raises(NoVideoError, match="is not a video") as caught:
            read_clip(tmp_path / name)
        assert "\n" not in str(caught.value)


def test_sound_alone_is_refused(tmp_path):
    path = tmp_path / "sound.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44_100)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 44_100), np.float32), "fltp", "mono")
        sound.rate, sound.pts = 44_100, 0
        container.mux(stream.encode(sound))
        container.mux(stream.encode())
    with pytest.raises(NoVideoError, match="no picture track"):
        read_clip(path)


def test_still_images_are_refused(tmp_path):
    with pytest.raises(NoVideoError, match="still image"):
        read_clip(write_marked_clip(tmp_path / "one.mp4", [0.0]))
    path = tmp_path / "photo.mp4"
    with av.open(str(path), "w", format="image2") as container:
        stream = container.add_stream("mjpeg", rate=1)
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuvj420p"
        frame = av.VideoFrame.from_ndarray(draw_frame(0), format="rgb24")
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    with pytest.raises(NoVideoError, match="still image"):
        read_clip(path)


def test_nothing_there_an_empty_file_and_a_folder_are_told_apart(tmp_path):
    (tmp_path / "empty.mp4").touch()
    with pytest.raises(MissingClipError, match="There is no clip"):
        read_clip(tmp_path / "nowhere.mp4")
    with pytest.raises(IncompleteClipError, match="is empty"):
        read_clip(tmp_path / "empty.mp4")
    with pytest.raises(MissingClipError, match="is a folder"):
        read_clip(tmp_path)


@pytest.mark.parametrize(
    "name", ["Übung – Sprung 日本 (1).MP4", "no_suffix", "caf\udce9.mp4", "wrong.avi"]
)
def test_any_file_name_is_read(tmp_path, name):
    made = write_marked_clip(tmp_path / "made.mp4", [0, 0.04])
    assert read_clip(made.rename(tmp_path / name)).frames == 2


# --- a folder of clips


def test_a_folder_lists_its_clips_and_nothing_else(tmp_path, whole_clips):
    data = whole_clips["index_last.mp4"].read_bytes()
    clips = ["B.MOV", "a.mp4", "no_suffix"]
    others = [".hidden.mp4", "~lock.mp4", "c.mp4.part", "d.MP4.crdownload", "e.mp4~"]
    for name in (*clips, *others):
        (tmp_path / name).write_bytes(data)
    (tmp_path / "broken.mp4").write_text("not a video")
    (tmp_path / "empty.mp4").touch()
    (tmp_path / "notes.txt").write_text("not a video")
    (tmp_path / "a.truth.json").write_text("{}")
    (tmp_path / "photo.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(40))
    (tmp_path / "folder.mp4").mkdir()
    listed = [path.name for path in list_clips(tmp_path)]
    assert listed == sorted([*clips, "broken.mp4"])
    assert list_clips(tmp_path / "a.mp4") == (tmp_path / "a.mp4",)
    with pytest.raises(MissingClipError, match="no clip or folder"):
        list_clips(tmp_path / "nowhere")


# --- writing


def test_a_written_clip_keeps_times_and_colours(tmp_path):
    t_s = varying_times_s()[:60]
    path = tmp_path / "out.mp4"
    with write_clip(path, 640, 360) as writer:
        for number, shown_s in enumerate(t_s):
            writer.write(draw_frame(number), float(shown_s))
    assert_allclose(read_clip(path).t_s, t_s, atol=CLOCK_TICK_S)
    frames = list(read_frames(path))
    assert [read_number(frame.rgb) for frame in frames] == list(range(60))
    assert_allclose(frames[10].rgb[24, 24].astype(float), draw_frame(10)[24, 24], atol=COLOUR_STEP)


def test_a_written_clip_plays_in_browsers_and_says_nothing_about_anybody(tmp_path):
    path = tmp_path / "out.mp4"
    with write_clip(path, 640, 360) as writer:
        for number in range(5):
            writer.write(draw_frame(number), number / 30)
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        assert (video.codec_context.name, video.codec_context.pix_fmt) == ("h264", "yuv420p")
        assert len(container.streams) == 1
        assert set(container.metadata) <= {
            "major_brand", "minor_version", "compatible_brands", "encoder",
        }  # fmt: skip
    data = path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")


def test_an_odd_size_grows_by_one(tmp_path):
    path = tmp_path / "odd.mp4"
    with write_clip(path, 405, 719) as writer:
        for number in range(2):
            writer.write(draw_frame(number, 405, 719), number / 30)
    clip = read_clip(path)
    assert (clip.width_px, clip.height_px) == (406, 720)


def test_a_failed_writing_leaves_the_old_clip_and_nothing_else(tmp_path):
    path = write_marked_clip(tmp_path / "out.mp4", np.arange(5) / 30)
    before = path.read_bytes()

    def write_two_sizes() -> None:
        with write_clip(path, 640, 360) as writer:
            writer.write(draw_frame(0), 0.0)
            writer.write(draw_frame(1, 320, 180), 0.1)

    with pytest.raises(OutputError, match="does not fit"):
        write_two_sizes()
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_frames_are_streamed_and_not_held(tmp_path):
    path = write_marked_clip(tmp_path / "a.mp4", np.arange(60) / 30)
    frames = read_frames(path)
    assert [frame.number for frame in islice(frames, 3)] == [0, 1, 2]
    frames.close()
