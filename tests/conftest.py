"""What several rooms' tests share."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import settings

# Deterministic examples and no deadlines: what a machine takes is measured in tests/benchmarks.
settings.register_profile("stallcurve", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("stallcurve")


def must_have(*programs: str) -> None:
    """Skip with the reason where a system program is missing, but fail in CI."""
    missing = [name for name in programs if shutil.which(name) is None]
    if missing:
        reason = f"needs {', '.join(missing)} (tests/run.sh installs them)"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)


@contextmanager
def serve_sound(home: Path) -> Iterator[dict[str, str]]:
    """A sound server without a sound card; yields the environment that reaches it.

    What is played to its sink ``speaker`` is heard by its source ``mic``, which PortAudio finds as
    the input ``pulse``.
    """
    must_have("pulseaudio", "pactl", "paplay")
    run = home / "run"
    (run / "pulse").mkdir(parents=True)
    run.chmod(0o700)
    (run / "pulse").chmod(0o700)
    alsa = home / "asound.conf"
    alsa.write_text(
        "pcm.!default { type pulse hint { show on description default } }\n"
        "ctl.!default { type pulse }\n"
        "pcm.pulse { type pulse hint { show on description pulse } }\n"
        "ctl.pulse { type pulse }\n"
    )
    socket = run / "pulse" / "native"
    env = {
        **os.environ,
        "XDG_RUNTIME_DIR": str(run),
        "PULSE_RUNTIME_PATH": str(run / "pulse"),
        "PULSE_STATE_PATH": str(home / "state"),
        "PULSE_COOKIE": str(home / "cookie"),
        "PULSE_SERVER": f"unix:{socket}",
        "ALSA_CONFIG_PATH": str(alsa),
    }
    log = Path(home / "server.log")
    server = subprocess.Popen(
        [
            "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disable-shm=yes",
            "--use-pid-file=no", f"--log-target=file:{log}",
            "-L", f"module-native-protocol-unix auth-anonymous=1 socket={socket}",
            "-L", "module-null-sink sink_name=speaker rate=48000 channels=1 format=s16le",
            "-L", "module-remap-source source_name=mic master=speaker.monitor",
        ],
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        # A real server needs real time to come up: the one wait of the tests on the wall clock.
        for _ in range(100):
            if subprocess.run(["pactl", "info"], env=env, capture_output=True).returncode == 0:
                break
            time.sleep(0.1)
        else:
            pytest.fail(f"the sound server did not start: {log.read_text()[-400:]}")
        for verb, name in (("set-default-source", "mic"), ("set-default-sink", "speaker")):
            subprocess.run(["pactl", verb, name], env=env, check=True)
        yield env
    finally:
        server.terminate()
        server.wait(timeout=10)


@pytest.fixture(scope="session")
def sound_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """The environment that reaches a sound server, see `serve_sound`."""
    with serve_sound(tmp_path_factory.mktemp("sound")) as env:
        yield env


@pytest.fixture
def mortal_sound_server(tmp_path: Path) -> Iterator[dict[str, str]]:
    """One of its own, for a test that ends it."""
    with serve_sound(tmp_path) as env:
        yield env
