"""Help must be there at once: the top of the command line imports nothing heavy (bench/start.py measures it)."""

import subprocess
import sys

HEAVY = ("numpy", "scipy", "verovio", "typst", "mido", "soundfile", "rich", "graith.music.read_abc", "graith.builder")


def test_help_imports_no_heavy_module() -> None:
    code = (
        "import sys; from graith.cli.main import run; run(['--help']); "
        f"print([one for one in {HEAVY!r} if one in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "Commands" in done.stdout
    assert done.stderr.strip() == "[]"


def test_checking_tunes_needs_no_engraver_and_no_sound() -> None:
    code = (
        "import sys; import graith.cli.tune, graith.services.check_music; "
        f"print([one for one in {('verovio', 'typst', 'soundfile', 'scipy')!r} if one in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
