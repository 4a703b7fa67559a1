"""The microphone through real PortAudio, with a virtual sound server in place of a card.

PortAudio reads its surroundings when it is loaded, so each test listens in a process of its own.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

pytestmark = pytest.mark.realtime

RATE_HZ = 48000
TONE_HZ = 1000.0

HEAR = """
import json, sys, time
import numpy as np
from detectors.sources import MicrophoneSource, list_microphones
names = [mic.name for mic in list_microphones()]
source = MicrophoneSource("pulse", sample_rate_hz=48000)
source.start()
print("listening", flush=True)
sys.stdin.readline()  # the sound is on
source.discard()
blocks, begun_s, lost = [], None, 0
while sum(map(len, blocks)) < 2 * 48000:
    block = source.read(1.0)
    if block is None:
        continue
    begun_s = block.start_s if begun_s is None else begun_s
    blocks.append(block.samples)
    lost += block.lost
end_s = block.start_s + len(block.samples) / 48000
source.stop()
sound = np.concatenate(blocks)[: 2 * 48000]
spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
k = int(spectrum.argmax())
a, b, c = np.log(spectrum[k - 1 : k + 2])
print(json.dumps({
    "names": names, "lost": lost,
    "frequency_hz": (k + 0.5 * (a - c) / (a - 2 * b + c)) * 48000 / len(sound),
    "rms": float(np.sqrt(np.mean(sound**2))),
    "late_s": time.monotonic() - end_s,
    "spanned_s": end_s - begun_s, "counted_s": sum(map(len, blocks)) / 48000,
}))
"""

DIE = """
import sys
from detectors.errors import SourceLostError
from detectors.sources import MicrophoneSource
source = MicrophoneSource("pulse", sample_rate_hz=48000)
source.start()
print("listening", flush=True)
sys.stdin.readline()  # the server is gone
try:
    for _ in range(1000):
        source.read(0.05)
except SourceLostError as error:
    print(error)
    sys.exit(7)
finally:
    source.stop()
"""


def listener(script: str, env: dict[str, str]) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", script],
        env=env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    first = process.stdout.readline()
    if first != "listening\n":
        process.kill()
        pytest.fail(f"nothing listened: {first} {process.communicate()[1][-800:]}")
    return process


def test_a_tone_comes_in_at_its_pitch_and_level_and_no_sample_is_lost(
    tmp_path: Path, sound_server: dict[str, str]
) -> None:
    time_s = np.arange(8 * RATE_HZ) / RATE_HZ
    tone = tmp_path / "tone.wav"
    soundfile.write(tone, 0.5 * np.sin(2 * np.pi * TONE_HZ * time_s), RATE_HZ, subtype="PCM_16")
    process = listener(HEAR, sound_server)
    with subprocess.Popen(["paplay", "--device=speaker", str(tone)], env=sound_server) as player:
        # The player's first second: the server's own delay, before it is heard.
        with pytest.raises(subprocess.TimeoutExpired):
            player.wait(1.5)
        out, problems = process.communicate("on\n", timeout=60)
        player.kill()
    assert process.returncode == 0, problems
    heard = json.loads(out)
    assert "pulse" in heard["names"]
    assert heard["frequency_hz"] == pytest.approx(TONE_HZ, abs=0.2)
    assert heard["rms"] == pytest.approx(0.5 / np.sqrt(2), rel=0.02)
    assert heard["lost"] == 0
    assert heard["spanned_s"] == pytest.approx(heard["counted_s"], abs=0.05)
    assert 0.0 <= heard["late_s"] < 1.0


def test_a_sound_server_that_dies_is_noticed(mortal_sound_server: dict[str, str]) -> None:
    process = listener(DIE, mortal_sound_server)
    subprocess.run(["pactl", "exit"], env=mortal_sound_server, check=False, capture_output=True)
    out, problems = process.communicate("gone\n", timeout=60)
    assert process.returncode == 7, (out, problems)
    assert "microphone" in out
