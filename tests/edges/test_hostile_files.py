"""Files made to mislead: lists of other files, huge pictures, endless clips, wrong lengths."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from marked_clips import draw_frame, write_marked_clip
from phone_clips import find_box, silence, two_tracks

from landing_analysis.errors import ClipError, IncompleteClipError, NoVideoError
from landing_analysis.settings import ReadingSettings
from landing_analysis.video import boxes
from landing_analysis.video import clips as video
from landing_analysis.video.boxes import stated_samples
from landing_analysis.video.clips import read_clip, read_frames

LIMITS = ReadingSettings()

# --- what is opened at all -----------------------------------------------------------------------

PLAYLISTS = {
    "ffconcat": "ffconcat version 1.0\nfile good.mp4\n",
    "hls": "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\ngood.mp4\n#EXT-X-ENDLIST\n",
    "dash": '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011"><Period>'
    "<AdaptationSet><Representation><BaseURL>good.mp4</BaseURL></Representation>"
    "</AdaptationSet></Period></MPD>",
    "session": "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nm=video 9 RTP/AVP 96\n",
    "metadata": ";FFMETADATA1\ntitle=x\n",
}


@pytest.mark.parametrize("kind", PLAYLISTS)
@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".avi"])
def test_a_list_of_other_files_is_never_handed_to_the_video_library(
    tmp_path, monkeypatch, kind, suffix
):
    write_marked_clip(tmp_path / "good.mp4", [0, 0.04])
    path = tmp_path / f"x{suffix}"
    path.write_text(PLAYLISTS[kind])

    def never(*_args: object, **_how: object) -> None:
        raise AssertionError("the video library was asked")

    monkeypatch.setattr(av, "open", never)
    with pytest.raises(NoVideoError, match=r"x\.\w+ is not a video as phones write them"):
        read_clip(path)


@pytest.mark.parametrize("form", ["mpegts", "flv", "nut", "gif"])
def test_only_containers_of_phones_and_editors_are_read(tmp_path, form):
    path = tmp_path / "renamed.mp4"
    codec, pix_fmt = ("gif", "rgb8") if form == "gif" else ("mpeg2video", "yuv420p")
    codec = "flv1" if form == "flv" else codec
    with av.open(str(path), "w", format=form) as container:
        stream = container.add_stream("flv" if form == "flv" else codec, rate=25)
        stream.width, stream.height, stream.pix_fmt = 320, 180, pix_fmt
        for number in range(5):
            frame = av.VideoFrame.from_ndarray(draw_frame(number, 320, 180), format="rgb24")
            container.mux(stream.encode(frame.reformat(format=pix_fmt)))
        container.mux(stream.encode())
    with pytest.raises(NoVideoError, match="still image" if form == "gif" else "not a video as"):
        read_clip(path)


@pytest.mark.parametrize("name", ["concat:a.mp4", "http:x.mp4", "subfile,,start,0,end,9,,:x.mp4"])
def test_a_name_like_an_address_is_a_name(tmp_path, monkeypatch, name):
    write_marked_clip(tmp_path / "made.mp4", [0, 0.04]).rename(tmp_path / name)
    monkeypatch.chdir(tmp_path)
    assert read_clip(Path(name)).frames == 2


def test_the_reader_is_the_one_that_the_first_bytes_name(tmp_path):
    data = write_marked_clip(tmp_path / "made.mkv", [0, 0.04]).read_bytes()
    path = tmp_path / "headed.mp4"
    path.write_bytes(b"RIFF" + struct.pack("<I", len(data) + 4) + b"AVI " + data)
    with pytest.raises(ClipError):
        read_clip(path)


# --- how large pictures may be -------------------------------------------------------------------


def png(width: int, height: int) -> bytes:
    """Return a black picture, which packs to a thousandth (ISO/IEC 15948)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    packer, row = zlib.compressobj(1), bytes(1 + 3 * width)
    packed = b"".join([packer.compress(row) for _ in range(height)] + [packer.flush()])
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
    )


def pictures_in(path: Path, claimed: tuple[int, int], size: tuple[int, int]) -> Path:
    """Write three pictures of one size into a container that claims another."""
    data = png(*size)
    with av.open(str(path), "w") as container:
        stream = container.add_mux_stream("png", rate=30, width=claimed[0], height=claimed[1])
        for number in range(3):
            packet = av.Packet(data)
            packet.stream, packet.pts, packet.dts = stream, number, number
            packet.time_base, packet.is_keyframe = Fraction(1, 30), True
            container.mux(packet)
    return path


_CHILD = """
import resource, sys
sys.path[:] = {path!r}
from pathlib import Path
from landing_analysis.errors import ClipError
from landing_analysis.video.clips import read_clip
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    read_clip(Path(sys.argv[1]))
    said = "read"
except ClipError as error:
    said = str(error)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
print(said)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is counted in other units elsewhere")
@pytest.mark.parametrize("claimed", [(9000, 9000), (640, 360)], ids=["honest", "lying"])
@pytest.mark.parametrize("suffix", [".avi", ".mov"])
def test_a_huge_picture_is_refused_before_it_is_unpacked(tmp_path, claimed, suffix):
    path = pictures_in(tmp_path / f"huge{suffix}", claimed, (9000, 9000))
    done = subprocess.run(
        [sys.executable, "-c", _CHILD.format(path=sys.path), path],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    grown_kb, said = done.stdout.splitlines()
    assert int(grown_kb) < 100_000  # one such picture is 243 MB
    assert "4K" in said


def test_small_pictures_of_the_same_kind_are_read(tmp_path):
    assert read_clip(pictures_in(tmp_path / "small.avi", (640, 360), (640, 360))).frames == 3


def test_pictures_beyond_4k_are_refused_by_what_the_container_says(tmp_path):
    path = write_marked_clip(tmp_path / "larger.mp4", [0, 0.04], (4352, 2304))
    with pytest.raises(ClipError, match="pictures of 4352 x 2304 pixels, more than are read here"):
        read_clip(path)


@pytest.mark.parametrize("size", [(3840, 2160), (2160, 3840), (4096, 2160)])
def test_4k_is_read(tmp_path, size):
    path = write_marked_clip(tmp_path / "4k.mp4", [0, 0.04], size)
    assert len(list(read_frames(path, read_clip(path)))) == 2


# --- how long clips may be -----------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".avi"])
def test_a_clip_of_hours_is_refused_with_how_long_it_would_take(tmp_path, monkeypatch, suffix):
    path = write_marked_clip(tmp_path / f"long{suffix}", np.arange(90) / 30, (320, 180))
    monkeypatch.setattr(video, "_READING", replace(LIMITS, most_frames=80, frames_per_s=0.01))
    with pytest.raises(ClipError, match=r"at least \d\d frames; .* about 2\.\d hours, so cut out"):
        read_clip(path)
    monkeypatch.setattr(video, "_READING", replace(LIMITS, most_frames=90))
    assert read_clip(path).frames == 90


def test_a_long_clip_of_a_few_bytes_a_frame_is_told_to_be_none_of_a_phone(tmp_path, monkeypatch):
    path = write_marked_clip(tmp_path / "still.mp4", np.zeros(90) + np.arange(90) / 30,
                             (320, 180), numbers=[7] * 90, key_frame_every=100)  # fmt: skip
    monkeypatch.setattr(video, "_READING", replace(LIMITS, long_frames=80))
    with pytest.raises(ClipError, match=r"of \d\d bytes each, which is no film of a phone's"):
        read_clip(path)
    monkeypatch.setattr(video, "_READING", replace(LIMITS, long_frames=90))
    assert read_clip(path).frames == 90


def patched(path: Path, at: int, number: int, *kinds: bytes) -> Path:
    """Write a 32-bit number ``at`` bytes into the first box along a path of kinds."""
    data = bytearray(path.read_bytes())
    start, _ = find_box(bytes(data), *kinds)
    struct.pack_into(">I", data, start + at, number)
    path.write_bytes(data)
    return path


TABLE = (b"moov", b"trak", b"mdia", b"minf", b"stbl")


def test_an_index_that_states_millions_of_pictures_is_refused_before_it_is_built(tmp_path):
    path = write_marked_clip(tmp_path / "a.mp4", np.arange(30) / 30, (320, 180))
    assert stated_samples(path) == 30
    patched(path, 12, 10, *TABLE, b"stsz")  # all pictures of 10 bytes
    patched(path, 16, 500_000_000, *TABLE, b"stsz")
    patched(path, 16, 500_000_000, *TABLE, b"stts")
    assert stated_samples(path) == 500_000_000
    with pytest.raises(ClipError, match="index that no phone writes"):
        read_clip(path)


def test_a_fragment_that_states_millions_of_pictures_is_refused(tmp_path):
    options = {"movflags": "+frag_keyframe+empty_moov"}
    path = write_marked_clip(tmp_path / "a.mp4", np.arange(30) / 30, (320, 180), options=options)
    assert stated_samples(path) == 30
    patched(path, 12, 500_000_000, b"moof", b"traf", b"trun")
    with pytest.raises(ClipError, match="index that no phone writes"):
        read_clip(path)


def test_a_packed_index_is_refused(tmp_path):
    path = write_marked_clip(tmp_path / "a.mov", np.arange(30) / 30, (320, 180))
    path.write_bytes(path.read_bytes().replace(b"mvhd", b"cmov"))
    with pytest.raises(ClipError, match="index that no phone writes"):
        read_clip(path)


def test_plain_sound_is_not_counted_sample_by_sample(tmp_path, monkeypatch):
    made = write_marked_clip(tmp_path / "made.mp4", np.arange(30) / 30, (320, 180))
    path = tmp_path / "sound.mov"
    with av.open(str(made)) as old, av.open(str(path), "w") as new:
        pictures = new.add_stream_from_template(old.streams.video[0])
        sound = new.add_stream("pcm_s16le", rate=44_100, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 44_100), np.int16), "s16", "mono")
        frame.sample_rate, frame.pts = 44_100, 0
        for packet in sound.encode(frame) + sound.encode():
            new.mux(packet)
        for packet in old.demux(video=0):
            if packet.dts is not None:
                packet.stream = pictures
                new.mux(packet)
    assert stated_samples(path) == 30
    monkeypatch.setattr(video, "_READING", replace(LIMITS, most_samples=30))
    assert read_clip(path).frames == 30


def test_a_file_of_more_boxes_than_any_clip_is_not_walked_to_its_end(tmp_path, monkeypatch):
    path = write_marked_clip(tmp_path / "a.mp4", np.arange(30) / 30, (320, 180))
    path.write_bytes(path.read_bytes() + struct.pack(">I4s", 8, b"free") * 100)
    assert read_clip(path).frames == 30
    monkeypatch.setattr(boxes, "_MOST_BOXES", 50)
    assert [note.check for note in read_clip(path).notes] == ["file"]
    path.write_bytes(struct.pack(">I4s", 8, b"free") * 100 + path.read_bytes())
    with pytest.raises(IncompleteClipError):
        read_clip(path)


def test_a_file_larger_than_any_clip_is_refused_unread(tmp_path):
    path = write_marked_clip(tmp_path / "a.mp4", np.arange(30) / 30, (320, 180))
    length = 1 << 40
    with path.open("r+b") as file:
        file.seek(0, 2)
        file.write(struct.pack(">I4sQ", 1, b"free", length - file.tell()))
        file.truncate(length)  # sparse: takes no room on the disk
    with pytest.raises(ClipError, match=r"has 1,100 GB, more than is read here; cut out the sets"):
        read_clip(path)


# --- whole or not --------------------------------------------------------------------------------


def many_tracks(path: Path, sound_s: float, subtitle_s: float) -> Path:
    """Write two tracks of pictures (2 s), sound and a subtitle."""
    made = two_tracks(path.with_suffix(".mp4"), 60)
    with av.open(str(made)) as old, av.open(str(path), "w") as new:
        tracks = [new.add_stream_from_template(stream) for stream in old.streams.video]
        sound = new.add_stream("aac", rate=44_100)
        words = new.add_mux_stream("subrip")
        for packet in sound.encode(silence(sound_s)) + sound.encode():
            new.mux(packet)
        line = av.Packet(b"land softly")
        line.stream, line.time_base = words, Fraction(1, 1000)
        line.pts = line.dts = 100
        line.duration = round(1000 * subtitle_s)
        new.mux(line)
        for packet in old.demux():
            if packet.dts is not None:
                packet.stream = tracks[packet.stream.index]
                new.mux(packet)
    return path


@pytest.mark.parametrize(("sound_s", "subtitle_s"), [(2.0, 1.0), (4.0, 1.0), (2.0, 5.0)])
def test_a_whole_file_of_many_tracks_is_whole_whichever_is_the_longest(
    tmp_path, sound_s, subtitle_s
):
    clip = read_clip(many_tracks(tmp_path / "many.mkv", sound_s, subtitle_s))
    assert (clip.frames, clip.width_px) == (60, 640)


@pytest.mark.parametrize("share", [0.5, 0.9, 0.999])
def test_a_file_of_many_tracks_that_is_cut_is_incomplete(tmp_path, share):
    path = many_tracks(tmp_path / "many.mkv", 4.0, 5.0)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    with pytest.raises(IncompleteClipError):
        read_clip(path)


@pytest.mark.parametrize(("name", "codec", "pix_fmt"), [
    ("a.avi", "libx264", "yuv420p"), ("b.avi", "mjpeg", "yuvj420p"), ("c.webm", "libvpx", "yuv420p")
])  # fmt: skip
def test_other_containers_that_are_cut_are_incomplete_by_their_lengths(
    tmp_path, name, codec, pix_fmt
):
    path = write_marked_clip(
        tmp_path / name, np.arange(20) / 30, (320, 180), codec=codec, pix_fmt=pix_fmt
    )
    assert read_clip(path).frames == 20
    assert read_clip(path).notes == ()
    data = path.read_bytes()
    for share in (0.1, 0.6, 0.99):
        path.write_bytes(data[: int(share * len(data))])
        with pytest.raises(IncompleteClipError):
            read_clip(path)
    path.write_bytes(data + b"left-over of an app")
    assert [note.check for note in read_clip(path).notes] == ["file"]


def test_a_recording_that_was_never_closed_is_read_as_far_as_it_goes(tmp_path):
    made = write_marked_clip(tmp_path / "made.mp4", np.arange(60) / 30, (320, 180))
    path = tmp_path / "live.webm"
    with av.open(str(made)) as old, av.open(
        str(path), "w", format="matroska", options={"live": "1"}
    ) as new:  # fmt: skip
        stream = new.add_stream_from_template(old.streams.video[0])
        for packet in old.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                new.mux(packet)
    assert read_clip(path).frames == 60
