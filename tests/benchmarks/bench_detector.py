"""Accuracy of the judge on takes that no number was ever fitted to.

``python tests/benchmarks/bench_detector.py [--benches 160] [--per-bench 30] [--far 6] [--made 400]
[--wide 400] [--falls 400] [--rotor 400] [--grains 400] [--rooms FOLDER ...] [--picture NAME]``
makes the takes from seeds that nothing else uses, judges them in all cores, and prints confusion,
rates with 95 % bounds, latency, void rates against the ratio of motor to background, calibration,
and the same figures for a baseline: onsets of a general audio library, counted, with the threshold
and the count that do best on the very same takes.

Eight sources: the virtual bench's takes; more of these far beyond the threshold, where motors lose
step altogether; five other makers of sound (`tests/detectors/made_sound.py`, `made_wide.py` with
harder rooms, motors and clicks, `made_falls.py` with rotors that fall back, in rooms that ring,
`made_grains.py`, made of single events, and `made_rotor.py`, an equation of motion of its own),
which are the check that the judge did not learn one sound maker; and the quiet takes of the others
with rooms under them that were recorded in the world (`tests/detectors/real_room.py`), of which the
half is used that nothing was grown on. With ``--rooms FOLDER ...`` the same quiet takes are judged
once more with whatever was recorded in these folders under them.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import zlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "detectors")]

import numpy as np  # noqa: E402
import soundfile  # noqa: E402

from detectors.evidence import CommandedMotion, Judgement, Verdict  # noqa: E402
from detectors.replay import judge_takes  # noqa: E402
from detectors.scores import rate, score_takes  # noqa: E402
from detectors.takes import Take, load_take_set  # noqa: E402

#: Slower steps are few within the time that the judge looks back.
SLOW_STEP_HZ = 20.0
BENCH_SEED = 3_731_000_000
#: First seeds of the other makers of sound.
SEEDS = {
    "made": 3_747_000_000,
    "wide": 3_761_000_000,
    "falls": 3_773_000_000,
    "rotor": 3_783_000_000,
    "grains": 3_791_000_000,
}
#: Makers with rooms of their own, recorded ones among them.
WITH_ROOMS = ("falls", "rotor", "grains")
REAL_SEED = 67
#: Smaller files hold no sound worth hearing.
LEAST_BYTES = 6000


def note(take: Take, key: str, default: float = 0.0) -> float:
    found = re.search(rf"{key}=(\S+)", take.note)
    return float(found.group(1)) if found else default


def virtual_takes(folder: Path, benches: int, per_bench: int, *, far: bool = False) -> list[Take]:
    command = [sys.executable, "-m", "rig.simulation.takes", str(folder)]
    command += ["--benches", str(benches), "--per-bench", str(per_bench), "--seed", str(BENCH_SEED)]
    command += ["--far"] if far else []
    subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
    return list(load_take_set(folder))


def write_made(folder: Path, seed: int, *, maker: str, files: Sequence[Path] = ()) -> Take:
    """A take of one of the other makers of sound.

    Args:
        folder: To write into.
        seed: Of the take.
        maker: One of `SEEDS`.
        files: Recordings that may be laid under it, by a maker `WITH_ROOMS`.
    """
    from made_falls import make_falls
    from made_grains import make_grains
    from made_rotor import make_rotor
    from made_sound import make_take
    from made_wide import make_wide

    if maker in WITH_ROOMS:
        make = {"falls": make_falls, "rotor": make_rotor, "grains": make_grains}[maker]
        made = make(seed, files=files)
    else:
        made = make_wide(seed) if maker == "wide" else make_take(seed)
    path = folder / f"made-{seed}.wav"
    soundfile.write(path, made.samples, made.sample_rate_hz, subtype="PCM_16")
    motion = CommandedMotion(speed_mm_s=made.speed_mm_s, start_s=made.start_s, end_s=made.end_s)
    return Take(
        path=path,
        file=path.name,
        motion=motion,
        geometry=made.geometry,
        bench=f"made-{seed}",
        label=Verdict(made.label),
        first_skip_s=made.clicks_s[0] if made.label == "skip" else None,
        note=f"clicks={len(made.clicks_s)} snr_db={made.motor_to_background_db:.1f} "
        f"company={made.notes['room']}"
        + (" fault=clipping" if made.notes.get("clip") else "")
        + (" agc=1" if made.notes.get("agc") else ""),
    )


def write_real(folder: Path, take: Take, number: int, part: str, files: Sequence[Path]) -> Take:
    """A take from a quiet room with a recorded room under it.

    Args:
        folder: To write into.
        take: The quiet one.
        number: Of the take.
        part: Name of the recordings; chooses the seed.
        files: The recordings.
    """
    from real_room import real_room

    sound, rate_hz = soundfile.read(take.path)
    rng = np.random.default_rng([REAL_SEED, number, zlib.crc32(part.encode())])
    mixed, name, ratio_db = real_room(
        rng,
        sound,
        sample_rate_hz=rate_hz,
        start_s=take.motion.start_s,
        end_s=take.motion.end_s,
        files=files,
    )
    path = folder / f"real-{number:05d}.wav"
    soundfile.write(path, mixed, rate_hz, subtype="PCM_16")
    quiet_db = note(take, "snr_db", 60.0)
    both_db = -10.0 * np.log10(10 ** (-quiet_db / 10) + 10 ** (-ratio_db / 10))
    words = re.sub(r"(snr_db|company)=\S+ ?", "", take.note)
    return replace(
        take, path=path, file=path.name, note=f"{words} snr_db={both_db:.1f} company={name}"
    )


def recorded_in(folders: Sequence[Path]) -> list[Path]:
    """Sound files in folders and below them, in order.

    Raises:
        SystemExit: There are none.
    """
    found = sorted(
        path
        for folder in folders
        for path in folder.rglob("*")
        if path.suffix in (".flac", ".wav", ".oga", ".ogg") and path.stat().st_size >= LEAST_BYTES
    )
    if not found:
        raise SystemExit(f"no sound files in {', '.join(str(folder) for folder in folders)}")
    return found


def is_quiet(take: Take) -> bool:
    """Whether a take has neither company nor a fault."""
    company = re.search(r"company=(\S+)", take.note)
    quiet = company is not None and company.group(1) in ("none", "quiet")
    return quiet and "fault" not in take.note and "agc" not in take.note


def report(
    title: str, takes: Sequence[Take], judgements: Sequence[Judgement]
) -> list[tuple[float, bool]]:
    """Print the scores of one source; what was stated of each take, and whether it skipped."""
    print(f"\n== {title}: {len(takes)} takes, {len({t.bench for t in takes})} benches")
    scores = score_takes(takes, judgements)
    print("\n".join(scores.lines()))
    pairs = list(zip(takes, judgements, strict=True))
    heard = [
        (t, j)
        for t, j in pairs
        if t.label is Verdict.SKIP and note(t, "clicks") >= 2 and note(t, "snr_db") > -12
    ]
    missed = sum(j.verdict is Verdict.CLEAN for _, j in heard)
    print(
        f"skips with two clicks or more, motor above -12 dB, called clean: "
        f"{rate(missed, len(heard))}"
    )
    false = [t for t, j in pairs if t.label is Verdict.CLEAN and j.verdict is Verdict.SKIP]
    above = sum(note(t, "x") > 1.0 for t in false)
    if above:
        print(
            f"of the {len(false)} clean takes called skip {above} ran above the motor's "
            "threshold, and had not lost a cycle yet"
        )
    for low, high in ((-99, -12), (-12, 0), (0, 10), (10, 20), (20, 99), (0, 99)):
        some = [
            (t, j)
            for t, j in pairs
            if low <= note(t, "snr_db") < high
            and "fault" not in t.note
            and t.label in (Verdict.CLEAN, Verdict.SKIP)
            and note(t, "clicks") != 1
            and t.geometry.step_rate_hz(t.motion.speed_mm_s) >= SLOW_STEP_HZ
        ]
        void = sum(j.verdict is Verdict.VOID for _, j in some)
        wrong = sum(
            j.verdict is not t.label and j.verdict in (Verdict.CLEAN, Verdict.SKIP) for t, j in some
        )
        print(
            f"motor to background {low:4d} to {high:3d} dB, no fault, two clicks or none, "
            f"20 steps/s and more: void {rate(void, len(some))},"
            f" wrong {rate(wrong, len(some))}"
        )
    slow = [(t, j) for t, j in pairs if t.geometry.step_rate_hz(t.motion.speed_mm_s) < SLOW_STEP_HZ]
    void = sum(j.verdict is Verdict.VOID for _, j in slow)
    print(f"steps slower than {SLOW_STEP_HZ:g}/s, any ratio: void {rate(void, len(slow))}")
    lone = [(t, j) for t, j in pairs if t.label is Verdict.SKIP and note(t, "clicks") == 1]
    clean = sum(j.verdict is Verdict.CLEAN for _, j in lone)
    print(f"skips of one click only: called clean {rate(clean, len(lone))}")
    for wrong_take in scores.worst[:8]:
        print(
            f"  worst: {wrong_take.file[-40:]} {wrong_take.label} -> {wrong_take.verdict} "
            f"({wrong_take.reason}) p {wrong_take.p_skip:.2f}"
        )
    return list(scores.stated)


def draw(stated: Sequence[tuple[float, bool]], path: Path) -> None:
    """The reliability diagram of all sources together."""
    from rig.report.look import save_picture
    from rig.report.reliability import draw_reliability

    figure = draw_reliability(
        [p for p, _ in stated],
        [skipped for _, skipped in stated],
        title=f"{len(stated)} takes that nothing was fitted to",
    )
    save_picture(figure, path)


def onset_strengths(take: Take) -> list[float]:
    """Strengths of the library's onsets within the move."""
    import librosa

    sound, sample_rate = soundfile.read(take.path, dtype="float32")
    envelope = librosa.onset.onset_strength(y=sound, sr=sample_rate, hop_length=256)
    peaks = librosa.onset.onset_detect(
        onset_envelope=envelope, sr=sample_rate, hop_length=256, normalize=False, delta=0.0
    )
    times = librosa.frames_to_time(peaks, sr=sample_rate, hop_length=256)
    inside = (times > take.motion.start_s + 0.2) & (times < take.motion.end_s - 0.1)
    return sorted((float(envelope[p]) for p in peaks[inside]), reverse=True)


def baseline(takes: Sequence[Take]) -> None:
    """The best that counting onsets can do on these takes."""
    try:
        import librosa  # noqa: F401
    except ImportError:
        print("\n== baseline left out: the package librosa is not installed")
        return
    from joblib import Parallel, delayed

    chosen = [t for t in takes if t.label in (Verdict.CLEAN, Verdict.SKIP)]
    strengths = Parallel(n_jobs=-1)(delayed(onset_strengths)(t) for t in chosen)
    truth = np.array([t.label is Verdict.SKIP for t in chosen])
    best = (1.0, 0.0, 0, 0.0, 0.0)
    for count in (2, 3, 4, 6):
        nth = np.array([s[count - 1] if len(s) >= count else 0.0 for s in strengths])
        for threshold in np.quantile(nth, np.linspace(0, 1, 200)):
            said = nth > threshold
            missed = float((~said)[truth].mean())
            false = float(said[~truth].mean())
            best = min(best, ((missed + false) / 2, float(threshold), count, missed, false))
    print(
        f"\n== baseline (library onsets, best threshold {best[1]:.2f} and count {best[2]} on the "
        f"same takes): skips called clean {100 * best[3]:.1f} %, "
        f"clean called skip {100 * best[4]:.1f} %"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--benches", type=int, default=160)
    parser.add_argument("--per-bench", type=int, default=30)
    parser.add_argument("--far", type=int, default=6, help="takes a bench in far overload")
    parser.add_argument("--made", type=int, default=400)
    parser.add_argument("--wide", type=int, default=400)
    parser.add_argument("--falls", type=int, default=400)
    parser.add_argument("--rotor", type=int, default=400)
    parser.add_argument("--grains", type=int, default=400)
    parser.add_argument("--no-baseline", action="store_true")
    parser.add_argument("--picture", type=Path, help="reliability diagram, name without ending")
    parser.add_argument(
        "--rooms",
        type=Path,
        nargs="*",
        default=[],
        help="folders of recorded sounds, one source more",
    )
    given = parser.parse_args()
    from joblib import Parallel, delayed
    from real_room import recordings

    others = recorded_in(given.rooms) if given.rooms else []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        takes = virtual_takes(folder / "virtual", given.benches, given.per_bench)
        stated = report("virtual benches", takes, list(judge_takes(takes, jobs=-1)))
        quiet = [take for take in takes if is_quiet(take)]
        if given.far:
            beyond = virtual_takes(folder / "far", given.benches, given.far, far=True)
            stated += report("far overload", beyond, list(judge_takes(beyond, jobs=-1)))
        held_out = recordings("held-out")
        for name in SEEDS:
            count: int = getattr(given, name)
            (folder / name).mkdir()
            made = Parallel(n_jobs=-1)(
                delayed(write_made)(folder / name, SEEDS[name] + k, maker=name, files=held_out)
                for k in range(count)
            )
            if made:
                stated += report(f"{name} sound", made, list(judge_takes(made, jobs=-1)))
            if name not in WITH_ROOMS:
                quiet += [take for take in made if is_quiet(take)]
        rooms = [("recorded rooms", "held-out", held_out)]
        rooms += [(f"rooms of {len(others)} other recordings", "others", others)]
        for title, part, files in rooms:
            if not files:
                continue
            (folder / part).mkdir()
            real = Parallel(n_jobs=-1)(
                delayed(write_real)(folder / part, take, number, part, files)
                for number, take in enumerate(quiet)
            )
            stated += report(title, real, list(judge_takes(real, jobs=-1)))
        if not rooms[0][2]:
            print("\n== recorded rooms left out: install sonic-pi-samples and alsa-utils")
        if given.picture:
            draw(stated, given.picture)
        if not given.no_baseline:
            baseline(takes)


if __name__ == "__main__":
    main()
