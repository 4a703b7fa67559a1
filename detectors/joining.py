"""Joining the witnesses: what the sound says and what the length says, to one verdict.

Where both speak and agree, the verdict is theirs. Length lost while the motor was heard in step is
`slip`. Where they contradict each other, the trial is void, unless the evidence of one is
overwhelming and that of the other is not.
"""

from __future__ import annotations

from dataclasses import replace

from detectors.evidence import Judgement, Reason, Verdict
from detectors.length import LengthEvidence, LengthWord

#: Log-likelihood ratio beyond which a train of clicks is beyond doubt.
OVERWHELMING_LLR = 30.0
#: Motor over all the rest, in dB, at which its sound without clicks is beyond doubt.
OVERWHELMING_MOTOR_DB = 6.0
#: Void reasons of the sound that a clear measurement of length can stand in for.
REPLACEABLE = frozenset({Reason.UNSURE, Reason.TOO_NOISY, Reason.CLIPPED})


def join_witnesses(
    sound: Judgement | None, length: LengthEvidence | None, *, decided_s: float
) -> Judgement:
    """One verdict from one or two witnesses.

    Args:
        sound: What the microphone alone says; None where there is none.
        length: What the encoder says; None where there is none.
        decided_s: Time up to which was listened and measured.
    """
    if length is None:
        if sound is None:
            return Judgement(
                Verdict.VOID, Reason.UNSURE, 0.5, decided_s, explanation="there is no witness"
            )
        return sound
    if sound is None:
        return _by_length(length, decided_s)
    return replace(_both(sound, length), lost_mm=length.lost_mm)


def _by_length(length: LengthEvidence, decided_s: float) -> Judgement:
    """Verdict of the encoder alone."""
    word = length.word
    if word is LengthWord.IN_STEPS:
        found = Verdict.SKIP, Reason.LENGTH_LOST_IN_STEPS, 0.98 if length.overwhelming else 0.9
        why = f"{length.lost_mm:.2f} mm were lost in {length.falls} sudden falls"
    elif word is LengthWord.SMOOTHLY and length.overwhelming:
        found = Verdict.SLIP, Reason.LENGTH_LOST_SMOOTHLY, 0.1
        why = f"{length.lost_mm:.2f} mm were lost little by little: the grip failed"
    elif word is LengthWord.FULL:
        found = Verdict.CLEAN, Reason.MEASURED_THROUGHOUT, 0.03
        why = "the whole length was measured, without a sudden loss"
    elif word is LengthWord.LOST:
        found = Verdict.VOID, Reason.ENCODER_LOST, 0.5
        why = "readings of the encoder are missing"
    elif word is LengthWord.IMPLAUSIBLE:
        found = Verdict.VOID, Reason.ENCODER_IMPLAUSIBLE, 0.5
        why = "the encoder measured more than was commanded, or backwards: check counts_per_mm"
    else:
        found = Verdict.VOID, Reason.UNSURE, 0.5
        why = "the encoder's evidence decides for neither side"
    verdict, reason, p_skip = found
    return Judgement(
        verdict,
        reason,
        p_skip,
        decided_s,
        first_skip_s=length.first_fall_s if verdict is Verdict.SKIP else None,
        click_times_s=(),
        lost_mm=length.lost_mm,
        explanation=why,
        details={"lost_cycles": float(length.lost_cycles), "falls": float(length.falls)},
    )


def _void(sound: Judgement, reason: Reason, why: str) -> Judgement:
    return replace(sound, verdict=Verdict.VOID, reason=reason, first_skip_s=None, explanation=why)


def _both(sound: Judgement, length: LengthEvidence) -> Judgement:
    word = length.word
    by_length = _by_length(length, sound.decided_s)
    if sound.verdict is Verdict.SKIP:
        if word is LengthWord.FULL:
            sure = sound.details.get("llr", 0.0) >= OVERWHELMING_LLR
            if length.overwhelming or not sure:
                return _void(
                    sound,
                    Reason.WITNESSES_DISAGREE,
                    "clicks were heard, and yet the whole length was measured",
                )
        return sound
    if word is LengthWord.LOST:
        return _void(sound, Reason.ENCODER_LOST, by_length.explanation)
    if word is LengthWord.IMPLAUSIBLE:
        return _void(sound, Reason.ENCODER_IMPLAUSIBLE, by_length.explanation)
    if sound.verdict is Verdict.CLEAN:
        return _sound_clean(sound, length, by_length)
    if word is LengthWord.IN_STEPS and length.overwhelming:
        return by_length
    if sound.reason in REPLACEABLE and length.overwhelming:
        return replace(by_length, details={**sound.details, **by_length.details})
    return sound


def _sound_clean(sound: Judgement, length: LengthEvidence, by_length: Judgement) -> Judgement:
    if length.word is LengthWord.SMOOTHLY:
        return replace(
            sound,
            verdict=Verdict.SLIP,
            reason=Reason.LENGTH_LOST_SMOOTHLY,
            explanation=f"the motor kept in step, and {length.lost_mm:.2f} mm of filament were "
            "lost: the grip failed, not the torque",
        )
    if length.word is LengthWord.IN_STEPS:
        loud = sound.details.get("motor_to_rest_db", -60.0) >= OVERWHELMING_MOTOR_DB
        if length.overwhelming and not loud:
            return by_length
        return _void(
            sound,
            Reason.WITNESSES_DISAGREE,
            "length was lost suddenly, and yet no click was heard from a motor in step",
        )
    return sound
