"""All but live listening works without PortAudio, help is light, and what is missing is named."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from virtual_benches import TAKES, write_bench

from rig.cli import COMMANDS

#: What the library raises where PortAudio is missing, and what Python raises where the package is.
BLOCKER = """
import sys
class Blocker:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in ("sounddevice", "_sounddevice"):
            raise {error}
sys.meta_path.insert(0, Blocker())
"""
NO_LIBRARY = BLOCKER.format(error='OSError("PortAudio library not found")')
NO_PACKAGE = BLOCKER.format(error='ModuleNotFoundError("No module named " + name)')
HEAVY = ("numpy", "scipy", "matplotlib", "numba", "sounddevice", "soundfile", "pydantic", "rich")


def python(code: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "PYTHONWARNINGS": "error"},
    )


@pytest.mark.parametrize("blocker", [NO_LIBRARY, NO_PACKAGE], ids=["library", "package"])
def test_everything_but_live_listening_works(blocker: str, tmp_path: Path) -> None:
    write_bench(tmp_path / "bench.toml")
    (tmp_path / "table.csv").write_text(
        "temperature_c,force_n,clean_mm_s,skip_mm_s\n"
        "210,20,1.9,2.0\n210,30,3.0,3.1\n210,40,3.9,4.0\n210,50,4.6,4.8\n"
    )
    words = [
        *([name, "--help"] for name in COMMANDS),
        ["init", "new.toml"],
        ["check", "bench.toml"],
        ["check", "--list-ports"],
        ["listen", "bench.toml"],
        ["fit", "table.csv", "--model", "power", "--out", "fitted"],
        ["export", "fitted/curve.json", "--to", "csv"],
        ["replay", str(TAKES / "held-out" / "bench-8101" / "take-000.flac")],
    ]
    done = python(
        f"{blocker}\n"
        "import rig, detectors, json\n"
        "from rig.cli import run\n"
        f"codes = [run(words) for words in {words!r}]\n"
        "print('\\n' + json.dumps([codes, 'sounddevice' in sys.modules]))\n",
        tmp_path,
    )
    assert done.returncode == 0, done.stderr
    codes, imported = json.loads(done.stdout.splitlines()[-1])
    failed = [call for call, code in zip(words, codes, strict=True) if code != 0]
    assert failed == [], done.stderr
    assert not imported


@pytest.mark.parametrize("name", ["listen", "run"])
def test_live_listening_names_the_package_to_install(name: str, tmp_path: Path) -> None:
    bench = write_bench(tmp_path / "bench.toml", device='"0"')
    bench.write_text(
        bench.read_text().replace("sim://harbour?seed=1&warm=205", "/dev/does-not-exist")
    )
    before = sorted(tmp_path.iterdir())
    done = python(
        f"{NO_LIBRARY}\nfrom rig.cli import main\nmain([{name!r}, 'bench.toml', '--yes'])", tmp_path
    )
    assert done.returncode == 4
    last = done.stderr.strip().splitlines()[-1]
    for part in ("libportaudio2", "brew install portaudio", "Windows"):
        assert part in last
    assert sorted(tmp_path.iterdir()) == before


def test_a_check_says_so_too_and_goes_on_to_the_printer(tmp_path: Path) -> None:
    bench = write_bench(tmp_path / "bench.toml", device='"0"')
    bench.write_text(
        bench.read_text().replace("sim://harbour?seed=1&warm=205", "/dev/does-not-exist")
    )
    done = python(
        f"{NO_LIBRARY}\nfrom rig.cli import main\nmain(['check', 'bench.toml', '--json'])", tmp_path
    )
    assert done.returncode == 4
    found = {f["subject"]: f for f in json.loads(done.stdout)["findings"]}
    assert "libportaudio2" in found["sound"]["text"]
    assert "/dev/does-not-exist" in found["link"]["text"]


@pytest.mark.parametrize("code", ["import rig, detectors", "from rig.cli import run; run(['-h'])"])
def test_imports_and_help_are_light(code: str, tmp_path: Path) -> None:
    done = python(
        f"{code}\nimport sys, json\n"
        f"print('\\n' + json.dumps([m for m in {HEAVY!r} if m in sys.modules]))",
        tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1]) == []


def test_python_m_rig_is_the_command(tmp_path: Path) -> None:
    def spoken(*words: str) -> tuple[int, str, str]:
        done = subprocess.run(
            [sys.executable, "-m", "rig", *words],
            cwd=tmp_path, capture_output=True, text=True, timeout=60,
        )  # fmt: skip
        return done.returncode, done.stdout, done.stderr

    code, out, _ = spoken("--help")
    assert code == 0
    assert "Usage: stallcurve" in out
    code, out, err = spoken("fit", "missing.csv")
    assert (code, out) == (2, "")
    assert "missing.csv" in err
