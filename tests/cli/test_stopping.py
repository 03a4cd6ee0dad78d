"""A real Ctrl-C, or the end of the terminal, sent to a real process while it writes."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_a_stop_leaves_what_stood_there_and_nothing_half_written(
    sets: Path, tmp_path: Path, sent: signal.Signals
) -> None:
    out = tmp_path / "medley.wav"
    out.write_bytes(b"what stood there before")
    command = [sys.executable, "-m", "graith", "set", "sound", str(sets / "medley.toml"), "-o", str(out)]
    process = subprocess.Popen([*command, "--players", "4"], stderr=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 120
    while len(list(tmp_path.iterdir())) < 2 and time.monotonic() < deadline:
        assert process.poll() is None, "it ended before it began to write"
        time.sleep(0.05)
    process.send_signal(sent)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Stopped" in said
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == [out]
    assert out.read_bytes() == b"what stood there before"
