"""Every exchanged format by name, and its JSON Schema."""

import json
from pathlib import Path
from typing import Any

from calib_data.clamps import ClampsFile
from calib_data.formats import (
    CameraFile,
    FileModel,
    KitFile,
    PlacementFile,
    RelationFile,
    ResultFile,
    SetFile,
    ShiftFile,
)
from calib_data.observations import ObservationsFile
from calib_data.proof import ProofFile
from calib_data.record import ChainFile, ImportFile, NoteFile, RecordFile, RemovalFile, ReviewFile

FILES: dict[str, type[FileModel]] = {
    "set": SetFile,
    "kit": KitFile,
    "placement": PlacementFile,
    "relation": RelationFile,
    "shift": ShiftFile,
    "result": ResultFile,
    "camera": CameraFile,
    "observations": ObservationsFile,
    "proof": ProofFile,
    "clamps": ClampsFile,
    "record": RecordFile,
    "removal": RemovalFile,
    "review": ReviewFile,
    "import": ImportFile,
    "note": NoteFile,
    "chain": ChainFile,
}


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of the format called `name` (a key of FILES)."""
    made = {"$schema": "https://json-schema.org/draft/2020-12/schema", **FILES[name].model_json_schema()}
    return json.loads(json.dumps(made).replace('"x-schema":', '"$ref":'))


def write_schemas(folder: Path) -> None:
    """Write one schema file per format; run it after every change of a model."""
    for name in FILES:
        text = json.dumps(schema(name), indent=1, ensure_ascii=False, sort_keys=True) + "\n"
        (folder / f"{name}.schema.json").write_text(text, encoding="utf-8", newline="\n")
