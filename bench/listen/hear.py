"""What is measured: the whole of listening, from a file to the JSON that a program would read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from graith.files.read_sound import read_recording
from graith.listen.as_json import as_json
from graith.services.listen_to_recording import listen_to_set
from graith.sets.model import PlannedSet


def heard_in(path: Path, planned: PlannedSet) -> dict[str, Any]:
    """Return what listening makes of one recording, as JSON has it. It is told the music and nothing else."""
    listening = listen_to_set(read_recording(path), planned)
    return as_json(listening.heard, listening.timeline)
