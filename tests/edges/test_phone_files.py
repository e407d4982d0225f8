"""Files as phones, messengers, copies and damage make them: the right frames, or one sentence.

Most need no pose model: what is checked is which pictures come, at which times, which way
up, and what is said. Numbers in brackets are the cases of the project's notes on phone video.
"""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from click.testing import CliRunner
from marked_clips import CORNER, read_corners, read_number, shift_start, write_marked_clip
from marked_engine import stand_in_by_time
from numpy.testing import assert_allclose
from phone_clips import (
    CAPTURE_TAG,
    GREY,
    HEVC,
    KEEP_TAGS,
    SKIN,
    need_encoder,
    patch_matrix,
    photo,
    read_patches,
    sound_only,
    sound_with_cover,
    tag_as_number,
    two_tracks,
    with_sound,
    write_patched_clip,
)
from stick_patient import jump_plan, make_motion, seen_at

from landing_analysis.analysing import analyse_clip
from landing_analysis.clock.intervals import find_gaps, rate_ratio
from landing_analysis.commands.main import main
from landing_analysis.errors import IncompleteClipError, NoVideoError
from landing_analysis.findings.limits import read_limits
from landing_analysis.findings.quality import damage_notes
from landing_analysis.settings import ClockSettings
from landing_analysis.stages import Options
from landing_analysis.tables import LIMBS, Clip, Frame, Seen
from landing_analysis.video.clips import (
    list_clips,
    read_clip,
    read_frames,
    read_frames_at,
    write_clip,
)
from landing_analysis.wording import note_words, words_of

CLOCK_TICK_S = 1 / 90_000
COLOUR_LEVELS = 6  # of 255, as the notes ask of skin and grey
CLOCK_SETTINGS = ClockSettings()


def numbers_of(path: Path) -> list[int]:
    return [read_number(frame.rgb) for frame in read_frames(path)]


def refusal(path: Path, tmp_path: Path) -> str:
    """Analyse a file on the command line; return the one sentence that refuses it."""
    out = tmp_path / "reports"
    done = CliRunner().invoke(main, ["analyse", str(path), "--out", str(out)])
    assert done.exit_code == 1
    assert "Traceback" not in done.output
    first, last = done.stderr.strip().splitlines()
    assert first.startswith("Not analysed: ")
    assert last == "1 of 1 could not be analysed."
    assert list(out.iterdir()) == []
    return first


# --- times ---------------------------------------------------------------------------------------


def test_an_even_clip_comes_frame_by_frame_and_without_a_remark(tmp_path):  # [1]
    path = write_marked_clip(tmp_path / "even.mp4", np.arange(90) / 30)
    clip = read_clip(path)
    assert numbers_of(path) == list(range(90))
    assert_allclose(np.diff(clip.t_s), 1 / 30, atol=CLOCK_TICK_S)
    assert clip.notes == ()
    assert clip.capture_fps is None
    assert find_gaps(clip.t_s, CLOCK_SETTINGS) == ()


def test_dropped_frames_keep_the_times_of_the_others(tmp_path):  # [5]
    n = np.arange(600)
    kept = n[~((n >= 40) & (n <= 49)) & (n % 7 != 3) & ~((n >= 300) & (n <= 330))]
    path = write_marked_clip(
        tmp_path / "v.mp4", kept / 120, size=(352, 198), numbers=kept, b_frames=2
    )
    clip = read_clip(path)
    assert numbers_of(path) == list(kept)
    assert clip.frames == 478
    assert_allclose(clip.t_s, kept / 120, atol=1e-4)
    assert_allclose(clip.median_fps, 120, rtol=1e-3)  # not the average of 96
    gaps = find_gaps(clip.t_s, CLOCK_SETTINGS)
    lengths_ms = sorted(1000 * gap.length_s for gap in gaps)
    assert len(gaps) == 83
    assert_allclose(lengths_ms[-2:], [92, 267], atol=1)


def test_a_jittering_clock_with_a_pause_shows_one_gap(tmp_path):  # [6]
    n = np.arange(120)
    t_s = n / 30 + 0.012 * np.sin(1.7 * n) + np.where(n > 60, 0.5, 0.0)
    path = write_marked_clip(tmp_path / "jitter.mp4", t_s, size=(352, 198))
    clip = read_clip(path)
    assert_allclose(clip.t_s, t_s, atol=CLOCK_TICK_S)
    (gap,) = find_gaps(clip.t_s, CLOCK_SETTINGS)
    assert_allclose([gap.length_s, gap.start_s], [0.521, 2.01], atol=0.006)


def test_a_change_of_rate_is_no_gap_and_frames_are_found_on_both_sides(tmp_path):  # [7]
    n = np.arange(300)
    t_s = np.where(n < 100, n / 30, 100 / 30 + (n - 100) / 60)
    path = write_marked_clip(tmp_path / "switch.mp4", t_s, size=(352, 198), b_frames=2)
    clip = read_clip(path)
    assert find_gaps(clip.t_s, CLOCK_SETTINGS) == ()
    assert_allclose(rate_ratio(clip.t_s), 2.0, rtol=1e-3)
    wanted = range(0, 300, 7)
    found = [read_number(frame.rgb) for frame in read_frames_at(path, clip, wanted)]
    assert found == list(wanted)


@pytest.mark.parametrize("tag", ["240.000000", None])
def test_240_frames_a_second_in_real_time_keep_their_times(tmp_path, tag):  # [8, 10]
    metadata = {CAPTURE_TAG: tag} if tag else None
    path = write_marked_clip(
        tmp_path / "fast.mp4", np.arange(96) / 240, (352, 198), options=KEEP_TAGS, metadata=metadata
    )
    clip = read_clip(path)
    assert_allclose(1000 * np.median(np.diff(clip.t_s)), 4.17, atol=0.02)
    assert clip.capture_fps == (240.0 if tag else None)


@pytest.mark.parametrize("as_number", [False, True])
def test_the_capture_tag_is_read_as_text_and_as_a_number(tmp_path, as_number):  # [9]
    path = write_marked_clip(
        tmp_path / "slow.mp4",
        np.arange(48) / 30,
        (352, 198),
        options=KEEP_TAGS,
        metadata={CAPTURE_TAG: "240.000000"},
    )
    if as_number:
        tag_as_number(path, 240.0)
    clip = read_clip(path)
    assert clip.capture_fps == 240.0
    assert_allclose(clip.median_fps, 30, rtol=1e-3)
    assert clip.frames == 48


@pytest.mark.parametrize("tag", ["-1", "nan", "inf", "0", "fast", "1e9"])
def test_a_senseless_capture_tag_is_left_alone(tmp_path, tag):
    path = write_marked_clip(
        tmp_path / "odd.mp4", [0, 0.04], options=KEEP_TAGS, metadata={CAPTURE_TAG: tag}
    )
    assert read_clip(path).capture_fps is None


def test_a_wish_for_playback_is_no_capture_rate(tmp_path):
    # Reported as 0 on ordinary clips too: it says how to play, not how the clip was filmed.
    wish = {"com.apple.quicktime.full-frame-rate-playback-intent": "0"}
    path = write_marked_clip(tmp_path / "wish.mov", [0, 0.04], options=KEEP_TAGS, metadata=wish)
    assert read_clip(path).capture_fps is None


def test_tags_that_are_no_text_do_not_stop_the_reading(tmp_path):
    path = write_marked_clip(
        tmp_path / "tags.mp4", [0, 0.04], options=KEEP_TAGS, metadata={"comment": "AAAAAAAAAAAA"}
    )
    path.write_bytes(path.read_bytes().replace(b"A" * 12, b"\xff\xfe" * 6))
    assert read_clip(path).frames == 2


def test_frames_that_share_a_time_are_taken_once(tmp_path):
    made = write_marked_clip(tmp_path / "made.mp4", np.arange(20) / 30, (352, 198))
    path = tmp_path / "pairs.mkv"  # the one writer that lets two frames share a time
    with av.open(str(made)) as old, av.open(str(path), "w") as new:
        stream = new.add_stream_from_template(old.streams.video[0])
        for k, packet in enumerate(old.demux(video=0)):
            if packet.dts is None:
                continue
            if k == 10:
                packet.pts = packet.dts = packet.pts - packet.duration
            packet.stream = stream
            new.mux(packet)
    clip = read_clip(path)
    frames = list(read_frames(path, clip))
    assert clip.frames == len(frames) == 19
    assert np.all(np.diff([frame.t_s for frame in frames]) > 0)
    (note,) = clip.notes
    assert note_words(note).startswith("One frame is to be shown at the time of another")


def test_a_trim_by_an_edit_list_shows_no_frame_from_before_it(tmp_path):  # [17]
    whole = write_marked_clip(
        tmp_path / "whole.mp4", np.arange(180) / 30, (352, 198), b_frames=2, key_frame_every=60
    )
    path = shift_start(whole, tmp_path / "trim.mp4", 0.9, until_s=3.0)
    clip = read_clip(path)
    numbers = numbers_of(path)
    assert numbers[0] == 27
    assert clip.t_s[0] == 0.0
    assert numbers == [round(30 * (t_s + 0.9)) for t_s in clip.t_s]
    assert clip.frames == len(numbers) < 95
    assert damage_notes(clip.t_s, np.array([frame.t_s for frame in read_frames(path)])) == ()


def test_pictures_that_start_after_the_sound_keep_their_start(tmp_path):  # [18]
    made = write_marked_clip(tmp_path / "made.mp4", np.arange(30) / 30, (352, 198))
    clip = read_clip(with_sound(made, tmp_path / "late.mp4", later_s=0.25))
    assert_allclose(clip.t_s[0], 0.25, atol=1e-3)
    assert clip.frames == 30


# --- shape, turn, colour -------------------------------------------------------------------------

# Stored corners are R G / B W; expected as the notes' table has them (measured with another
# program on files whose track header was patched in the same way).
CORNERS = {
    "cw90": "BRWG",
    "half": "WBGR",
    "ccw90": "GWRB",
    "reverse_columns": "GRWB",
    "reverse_rows": "BWRG",
    "transpose": "RBGW",
    "transverse": "WGBR",
}
MIRRORED = {"reverse_columns", "reverse_rows", "transpose", "transverse"}


@pytest.mark.parametrize("matrix", CORNERS)
def test_a_patched_track_header_turns_or_mirrors_the_picture(tmp_path, matrix):  # [2, 3, 4]
    stored = write_marked_clip(tmp_path / "stored.mp4", np.arange(4) / 30, matrix="upright")
    path = patch_matrix(stored, tmp_path / "turned.mp4", matrix)
    clip = read_clip(path)
    frame = next(read_frames(path))
    portrait = matrix in ("cw90", "ccw90", "transpose", "transverse")
    assert (clip.width_px, clip.height_px) == ((360, 640) if portrait else (640, 360))
    assert frame.rgb.shape == (clip.height_px, clip.width_px, 3)
    assert read_corners(frame.rgb) == CORNERS[matrix]
    assert clip.mirrored == (matrix in MIRRORED)
    assert ["exchanged" in note_words(note) for note in clip.notes] == [True] * clip.mirrored


def test_a_line_of_45_degrees_stays_one_on_pixels_that_are_not_square(tmp_path):  # [19]
    path = write_marked_clip(
        tmp_path / "sar.mp4", [0, 0.04], size=(480, 360), aspect=Fraction(4, 3)
    )
    rgb = next(read_frames(path)).rgb
    assert rgb.shape == (360, 640, 3)
    # The red corner is square as drawn, CORNER by CORNER stored: shown 4/3 as wide as high.
    red = (rgb[..., 0] > 180) & (rgb[..., 1] < 90)
    high, wide = red[:120, 5].sum(), red[5, :160].sum()
    assert_allclose([high, wide], [CORNER, CORNER * 4 / 3], atol=2)


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuv420p10le"])
def test_hevc_comes_whole_and_in_its_colours(tmp_path, pix_fmt):  # [14]
    need_encoder("libx265")
    path = write_patched_clip(tmp_path / "hevc.mov", "libx265", pix_fmt, HEVC, 30)
    assert numbers_of(path) == list(range(30))
    skin, grey, _ = read_patches(next(read_frames(path)).rgb)
    assert_allclose(skin, SKIN, atol=COLOUR_LEVELS)
    assert_allclose(grey, GREY, atol=COLOUR_LEVELS)


@pytest.mark.parametrize("curve", ["hlg", "pq"])
def test_high_dynamic_range_is_shown_in_ordinary_tones_and_said(tmp_path, curve):  # [15]
    need_encoder("libx265")
    path = write_patched_clip(tmp_path / "hdr.mov", "libx265", "yuv420p10le", HEVC, 4, curve)
    clip = read_clip(path)
    _, grey, white = read_patches(next(read_frames(path)).rgb)
    assert white >= 250
    assert_allclose(grey, GREY, atol=COLOUR_LEVELS)
    (note,) = clip.notes
    assert (note.check, note.state) == ("picture", "good")
    assert f"({curve.upper()})" in note_words(note)


def test_av1_comes_whole_or_is_refused_in_one_sentence(tmp_path):  # [16]
    need_encoder("libsvtav1")
    encoder = {"preset": "10", "crf": "25", "svtav1-params": "lp=1"}
    path = write_patched_clip(tmp_path / "av1.mp4", "libsvtav1", "yuv420p", encoder, 30)
    assert numbers_of(path) == list(range(30))


@pytest.mark.parametrize(
    ("name", "codec", "pix_fmt", "encoder"),
    [
        ("prores.mov", "prores_ks", "yuv422p10le", {"profile": "3"}),
        ("hevc_422.mov", "libx265", "yuv422p10le", HEVC),
        ("av1_10_bit.mp4", "libsvtav1", "yuv420p10le",
         {"preset": "10", "crf": "25", "svtav1-params": "lp=1"}),
        ("vp9.webm", "libvpx-vp9", "yuv420p", {"deadline": "realtime", "cpu-used": "8"}),
        ("motion_jpeg.avi", "mjpeg", "yuvj422p", {"q": "2"}),
    ],
)  # fmt: skip
def test_what_better_cameras_and_older_phones_write_comes_whole_and_in_its_colours(
    tmp_path, name, codec, pix_fmt, encoder
):
    need_encoder(codec)
    path = write_patched_clip(tmp_path / name, codec, pix_fmt, encoder, 30)
    assert numbers_of(path) == list(range(30))
    skin, grey, _ = read_patches(next(read_frames(path)).rgb)
    assert_allclose(skin, SKIN, atol=COLOUR_LEVELS)
    assert_allclose(grey, GREY, atol=COLOUR_LEVELS)


def test_hd_without_colour_tags_is_taken_for_bt709(tmp_path):
    path = tmp_path / "untagged.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 1280, 720, "yuv420p"
        red = av.VideoFrame.from_ndarray(
            np.full((720, 1280, 3), (255, 0, 0), np.uint8), format="rgb24"
        ).reformat(format="yuv420p", dst_colorspace=av.video.reformatter.Colorspace.ITU709)
        for number in range(3):
            red.pts = number
            container.mux(stream.encode(red))
        container.mux(stream.encode())
    assert next(read_frames(path)).rgb[100, 100, 0] >= 250  # 230 when taken for BT.601


# --- files that end too early, or are no clip ----------------------------------------------------


@pytest.fixture(scope="module")
def grainy(tmp_path_factory) -> dict[str, Path]:
    """Two seconds with grain and sound, in the four layouts that the notes cut."""
    need_encoder("libx265")
    folder = tmp_path_factory.mktemp("grainy")
    t_s = np.arange(120) / 60
    layouts = {
        "ok.mp4": ("libx264", {}),
        "ok_fast.mp4": ("libx264", {"movflags": "+faststart"}),
        "ok_frag.mp4": ("libx264", {"movflags": "+frag_keyframe+empty_moov"}),
        "ok_hevc_fast.mov": ("libx265", {"movflags": "+faststart"}),
    }
    made = {}
    for name, (codec, options) in layouts.items():
        made[name] = write_marked_clip(
            folder / name,
            t_s,
            (352, 198),
            codec=codec,
            options=options,
            encoder={"crf": "24", **({"x265-params": "log-level=error"} if "265" in codec else {})},
            grain=18.0,
        )
    return made


LAYOUTS = ["ok.mp4", "ok_fast.mp4", "ok_frag.mp4", "ok_hevc_fast.mov"]


@pytest.mark.parametrize("name", LAYOUTS)
@pytest.mark.parametrize("share", [0.1, 0.6, 0.99])
def test_a_copy_that_stopped_is_incomplete_and_never_a_short_clip(
    tmp_path, grainy, name, share
):  # [20]
    data = grainy[name].read_bytes()
    path = tmp_path / name
    path.write_bytes(data[: int(share * len(data))])
    assert "is incomplete" in refusal(path, tmp_path)


def test_a_file_of_full_length_with_an_empty_end_is_incomplete(tmp_path, grainy):  # [21]
    data = grainy["ok_fast.mp4"].read_bytes()
    path = tmp_path / "prealloc.mp4"
    path.write_bytes(data[: len(data) * 6 // 10].ljust(len(data), b"\0"))
    assert "is incomplete" in refusal(path, tmp_path)


@pytest.mark.parametrize("name", ["ok.mp4", "ok_fast.mp4", "ok_hevc_fast.mov"])
def test_a_clip_that_is_still_being_copied_is_taken_only_with_its_last_byte(
    tmp_path, grainy, name
):  # [22]
    data = grainy[name].read_bytes()
    path = tmp_path / name
    parts = np.array_split(np.frombuffer(data, np.uint8), 10)
    for part in parts[:-1]:
        with path.open("ab") as file:
            file.write(part.tobytes())
        with pytest.raises(IncompleteClipError):
            read_clip(path)
    with path.open("ab") as file:
        file.write(parts[-1].tobytes())
    assert read_clip(path).frames == 120


def test_a_clip_that_changes_while_it_is_read_is_refused(tmp_path, grainy, monkeypatch):
    path = tmp_path / "growing.mp4"
    path.write_bytes(grainy["ok.mp4"].read_bytes())
    from landing_analysis.video import clips as video

    def slow_fingerprint(file: Path, progress: object) -> str:
        with file.open("ab") as opened:
            opened.write(b"more")
        return "0" * 64

    monkeypatch.setattr(video, "sha256_of", slow_fingerprint)
    with pytest.raises(IncompleteClipError, match="still being written"):
        read_clip(path)


def test_what_holds_no_video_is_refused_file_by_file(tmp_path):  # [23]
    folder = tmp_path / "clips"
    folder.mkdir()
    noise = np.random.default_rng(3).bytes(200_000)
    contents = {
        "zero.mp4": b"",
        "zeros.mp4": bytes(200_000),
        "text.mp4": b"text\n",
        "random.mp4": noise,
        "IMG_1234.MOV": b"\0\5\x16\7\0\2\0\0".ljust(4084, b"\0"),  # a companion file's content
    }
    for name, data in contents.items():
        (folder / name).write_bytes(data)
        said = refusal(folder / name, tmp_path)
        assert name in said
        assert "is empty" in said if name == "zero.mp4" else "is not a video" in said
    (folder / "._IMG_1234.MOV").write_bytes(contents["IMG_1234.MOV"])
    assert {path.name for path in list_clips(folder)} == set(contents) - {"zero.mp4"}


def test_sound_covers_photos_and_single_frames_are_told_apart(tmp_path):  # [24]
    assert "no picture track" in refusal(sound_only(tmp_path / "sound.mp4"), tmp_path)
    assert "no picture track" in refusal(sound_with_cover(tmp_path / "cover.mp4"), tmp_path)
    photo_path = photo(tmp_path / "photo.jpg").rename(tmp_path / "pic_as.mp4")
    assert "still image" in refusal(photo_path, tmp_path)
    one = write_marked_clip(tmp_path / "one.mp4", [0.0])
    assert "still image" in refusal(one, tmp_path)


def test_the_larger_of_two_picture_tracks_is_taken(tmp_path):  # [24]
    clip = read_clip(two_tracks(tmp_path / "two.mp4", 10))
    assert (clip.width_px, clip.height_px, clip.frames) == (640, 360, 10)


# --- damage inside -------------------------------------------------------------------------------


def damaged(source: Path, target: Path, kind: str) -> Path:
    """Damage a copy as the notes do, with seeded bytes."""
    data = bytearray(source.read_bytes())
    middle = len(data) // 2
    if kind == "garbage":
        data[middle : middle + 3000] = np.random.default_rng(1).bytes(3000)
    elif kind == "hole":
        data[middle : middle + len(data) // 6] = bytes(len(data) // 6)
    elif kind == "flips":
        start = len(data) // 10
        for at in np.random.default_rng(2).integers(start, len(data) - 5000, 12):
            data[at] ^= 0xFF
    target.write_bytes(data)
    return target


@pytest.mark.parametrize("name", ["ok_fast.mp4", "ok_hevc_fast.mov"])
def test_a_hole_of_zeros_is_incomplete(tmp_path, grainy, name):  # [25]
    path = damaged(grainy[name], tmp_path / name, "hole")
    assert "is incomplete" in refusal(path, tmp_path)


@pytest.mark.parametrize("name", ["ok_fast.mp4", "ok_hevc_fast.mov"])
def test_reading_goes_on_after_garbage_and_the_stretch_is_named(tmp_path, grainy, name):  # [25]
    path = damaged(grainy[name], tmp_path / name, "garbage")
    clip = read_clip(path)
    frames = list(read_frames(path, clip))
    assert clip.frames == 120
    assert frames[-1].number == 119  # beyond the damage, up to the end
    assert len(frames) < 120
    for frame in frames:
        assert read_number(frame.rgb) == frame.number  # nothing spoilt came through
        assert_allclose(frame.t_s, clip.t_s[frame.number], atol=0)
    (note,) = damage_notes(clip.t_s, np.array([frame.t_s for frame in frames]))
    assert note.state == "poor"
    assert f"{120 - len(frames)} of 120 pictures are left out" in note_words(note)


def test_no_spoilt_picture_of_h264_comes_through(tmp_path):  # [25]
    # With frames that are decoded in another order than shown, damage is met before the key
    # frame in front of it has been shown.
    whole = write_marked_clip(
        tmp_path / "whole.mp4", np.arange(120) / 60, (352, 198), encoder={"crf": "24"},
        grain=18.0, b_frames=2, options={"movflags": "+faststart"},
    )  # fmt: skip
    data = whole.read_bytes()
    came = 0
    for seed in (17, 38, *range(10)):
        rng = np.random.default_rng(seed)
        hurt = bytearray(data)
        length = int(rng.choice([300, 1000, 3000, 6000]))
        start = int(rng.integers(len(data) // 6, len(data) - length - 500))
        hurt[start : start + length] = rng.bytes(length)
        path = tmp_path / "hurt.mp4"
        path.write_bytes(hurt)
        for frame in read_frames(path, read_clip(path)):
            assert read_number(frame.rgb) == frame.number
            came += 1
    assert came > 12 * 60


@pytest.mark.parametrize("name", ["ok_fast.mp4", "ok_hevc_fast.mov"])
def test_flipped_bytes_end_in_frames_at_true_times_or_one_sentence(tmp_path, grainy, name):  # [25]
    # HEVC shows a wrong picture now and then without any flag: its decoder tells nobody.
    path = damaged(grainy[name], tmp_path / name, "flips")
    clip = read_clip(path)
    times_s = np.array([frame.t_s for frame in read_frames(path, clip)])
    assert np.all(np.diff(times_s) > 0)
    assert np.isin(times_s, clip.t_s).all()
    if name.endswith(".mp4"):
        assert len(damage_notes(clip.t_s, times_s)) == 1


def test_a_clip_of_which_no_frame_can_be_decoded_says_so(tmp_path, grainy):
    data = bytearray(grainy["ok_fast.mp4"].read_bytes())
    start = data.index(b"mdat") + 4
    data[start:] = np.random.default_rng(4).bytes(len(data) - start)
    path = tmp_path / "spoilt.mp4"
    path.write_bytes(data)
    with pytest.raises(NoVideoError, match="Not one frame"):
        read_clip(path)


@pytest.fixture
def set_of_jumps(monkeypatch, without_plots) -> np.ndarray:
    """Let the body of an invented patient be found in any clip, frame by frame at its time."""
    from landing_analysis.landmarks import pose

    landmarks = make_motion(jump_plan(4), "front", LIMBS)[0]

    def see(clip: Clip, frame: Frame) -> Seen:
        smaller = clip.height_px / landmarks.height_px
        return seen_at(replace(landmarks, xy_px=smaller * landmarks.xy_px), frame)

    monkeypatch.setattr(pose, "started", stand_in_by_time(see))
    return landmarks.t_s


def analysed(path: Path, out: Path, *, annotated: bool = False, **options):
    options = Options(limits=read_limits(), annotated_clip=annotated, **options)
    outcome = analyse_clip(path, out, options)
    return outcome.analysis, outcome.report.parent


def test_a_damaged_clip_is_measured_on_both_sides_and_the_reps_it_hits_are_void(
    tmp_path, set_of_jumps
):  # [25]
    whole = write_marked_clip(
        tmp_path / "whole.mp4", set_of_jumps, (352, 198), encoder={"crf": "24"}, grain=18.0,
        options={"movflags": "+faststart"}, key_frame_every=20,
    )  # fmt: skip
    path = damaged(whole, tmp_path / "damaged.mp4", "garbage")
    sound, _ = analysed(whole, tmp_path / "out")
    hurt, folder = analysed(path, tmp_path / "out", annotated=True)
    assert [rep.used for rep in sound.reps.reps].count(True) == 4
    void = [rep for rep in hurt.reps.reps if "frames are missing" in words_of(rep.reason)]
    assert len(void) in (1, 2)
    assert hurt.reps.reps[0].used
    assert hurt.reps.reps[-1].used
    assert [note.state for note in hurt.notes if note.check == "damage"] == ["poor"]
    lost = len(set_of_jumps) - hurt.clip.frames
    assert 0 < lost < 60
    assert read_clip(folder / "annotated.mp4").frames == hurt.clip.frames
    words = ["analyse", str(path), "--out", str(tmp_path / "out"), "--no-annotated-clip"]
    done = CliRunner().invoke(main, words)
    assert "damaged.mp4: the file is damaged" in done.stdout
    again, _ = analysed(path, tmp_path / "out")  # from the stored landmarks
    assert again.notes == hurt.notes
    assert again.measures == hurt.measures


def test_a_clip_filled_up_with_repeats_gives_the_values_of_its_own_frames(tmp_path, set_of_jumps):
    # Every second frame shown twice: 30 new pictures a second at 60.
    once = np.arange(len(set_of_jumps)) // 2 * 2
    path = write_marked_clip(
        tmp_path / "filled.mp4", set_of_jumps, (352, 198), numbers=list(once), key_frame_every=500
    )
    plain = write_marked_clip(
        tmp_path / "plain.mp4", set_of_jumps[::2], (352, 198), numbers=list(once[::2])
    )
    filled, folder = analysed(path, tmp_path / "out", annotated=True)
    expected, _ = analysed(plain, tmp_path / "out")
    assert filled.clip.frames == expected.clip.frames
    assert_allclose(filled.clip.t_s, expected.clip.t_s, atol=CLOCK_TICK_S)
    # Still frames are interpolated, between other looks in each of the two.
    for one, other in zip(filled.measures.measures, expected.measures.measures, strict=True):
        assert (one.rep, one.limb, one.name) == (other.rep, other.limb, other.name)
        assert one.reason == other.reason
        if other.value is not None:
            apart = 0.001 if one.unit == "s" else 0.1
            assert one.value == pytest.approx(other.value, rel=0.002, abs=apart)
    (note,) = [note for note in filled.notes if note.check == "repeated frames"]
    assert "30 new pictures/s are left" in note_words(note)
    assert read_clip(folder / "annotated.mp4").frames == filled.clip.frames


def test_the_tag_of_a_file_reaches_the_time_base_and_the_option_settles_it(
    tmp_path, set_of_jumps
):  # [9]
    path = write_marked_clip(
        tmp_path / "tagged.mp4", set_of_jumps, (352, 198), options=KEEP_TAGS,
        metadata={CAPTURE_TAG: f"{8 * 60}.000000"},
    )  # fmt: skip
    doubtful, _ = analysed(path, tmp_path / "out")  # this body falls as in real time
    assert "the phone's tag and free fall disagree" in words_of(doubtful.decided.time_base.doubt)
    settled, _ = analysed(path, tmp_path / "out", slowed_by=1.0)
    assert settled.decided.time_base.doubt is None
    assert any(row.name == "flight_time" and row.value for row in settled.measures.measures)


# --- names, folders, privacy ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["Übung – Sprung 日本 (1).MP4", "caf\udce9.mp4", "BASE30.MP4", "noext", "wrongext.avi"],
    ids=ascii,
)
def test_any_name_is_read_from_a_folder(tmp_path, name):  # [26]
    made = write_marked_clip(tmp_path / "made.mp4", np.arange(6) / 30, (352, 198))
    try:
        path = made.rename(tmp_path / name)
    except OSError:
        pytest.skip("this disk does not take the name")
    assert list_clips(tmp_path) == (path,)
    assert numbers_of(path) == list(range(6))


PLACE = "+51.5007-000.1246+030.0/"


def test_a_written_clip_carries_no_place_no_date_no_model_and_no_sound(tmp_path):  # [27]
    tags = {
        "com.apple.quicktime.location.ISO6709": PLACE,
        "com.apple.quicktime.model": "X",
        "location": PLACE,
        "creation_time": "2026-03-04T10:11:12Z",
    }
    source = write_marked_clip(
        tmp_path / "gps.mov", np.arange(6) / 30, options=KEEP_TAGS, metadata=tags
    )
    with av.open(str(source)) as container:
        assert PLACE in container.metadata.values()  # else the test would prove nothing
    path = tmp_path / "out.mp4"
    with write_clip(path, 640, 360) as writer:
        for frame in read_frames(source):
            writer.write(frame.rgb, frame.t_s)
    with av.open(str(path)) as container:
        tracks = [dict(stream.metadata) for stream in container.streams]
        assert [stream.type for stream in container.streams] == ["video"]
        assert set(container.metadata) <= {
            "major_brand", "minor_version", "compatible_brands", "encoder",
        }  # fmt: skip
        assert not any("creation_time" in tags for tags in tracks)
    assert PLACE.encode() not in path.read_bytes()


def test_a_folder_takes_whole_clips_once_and_leaves_the_rest_alone(tmp_path, monkeypatch):  # [28]
    from landing_analysis import analysing

    folder = tmp_path / "clips"
    folder.mkdir()
    made = write_marked_clip(tmp_path / "made.mp4", np.arange(6) / 30, (352, 198))
    looked: list[str] = []

    def pretend(path, out_dir, options, start):
        looked.append(path.name)
        return analysing.Outcome(path.name)

    monkeypatch.setattr(analysing, "analyse_clip", pretend)

    def take() -> list[analysing.Outcome]:
        looked.clear()
        return list(analysing.analyse_paths((folder,), tmp_path / "out", Options()))

    partial = folder / "a.mp4.part"
    partial.write_bytes(made.read_bytes())
    (outcome,) = take()
    assert "holds no clips" in outcome.error
    whole = partial.rename(folder / "a.mp4")
    take()
    assert looked == ["a.mp4"]
    whole.rename(folder / "renamed.mp4")
    (folder / "renamed copy.mp4").write_bytes(made.read_bytes())
    copy, first = sorted(take(), key=lambda outcome: outcome.copy_of or "", reverse=True)
    assert looked == ["renamed copy.mp4"]
    assert (copy.name, copy.copy_of, copy.error) == ("renamed.mp4", "renamed copy.mp4", None)
    assert first.copy_of is None


def test_reports_outlive_the_clips_they_are_of(tmp_path):  # [28]
    from landing_analysis.files import new_folder

    clip = write_marked_clip(tmp_path / "a.mp4", np.arange(6) / 30, (352, 198))
    report = tmp_path / "reports" / "a" / "report.html"
    with new_folder(report.parent) as new:
        (new / "report.html").write_text("a report")
    clip.unlink()
    assert (
        "There is no clip"
        in CliRunner()
        .invoke(main, ["analyse", str(clip), "--out", str(tmp_path / "reports")])
        .stderr
    )
    assert report.read_text() == "a report"


def test_a_copy_in_the_background_never_yields_a_short_clip(tmp_path, grainy):  # [22]
    data = grainy["ok_fast.mp4"].read_bytes()
    path = tmp_path / "coming.mp4"
    path.write_bytes(data[:1000])

    def copy() -> None:
        for start in range(1000, len(data), len(data) // 20):
            with path.open("ab") as file:
                file.write(data[start : start + len(data) // 20])
            time.sleep(0.01)

    thread = threading.Thread(target=copy)
    thread.start()
    counts = set()
    while thread.is_alive():
        try:
            counts.add(read_clip(path).frames)
        except (IncompleteClipError, NoVideoError):
            counts.add(None)
    thread.join()
    assert read_clip(path).frames == 120
    assert counts <= {None, 120}
