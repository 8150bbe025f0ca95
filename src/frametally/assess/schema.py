"""The packaged JSON Schema of `assessment.json`: what every field means, its unit, and what it may hold."""

from __future__ import annotations

import json
from importlib import resources

SCHEMA_FILE = "assessment.schema.json"


def assessment_schema() -> dict[str, object]:
    """Give the schema (JSON Schema, draft 2020-12) that every `assessment.json` of this version keeps."""
    text = resources.files("frametally.data").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")
    schema: dict[str, object] = json.loads(text)
    return schema
