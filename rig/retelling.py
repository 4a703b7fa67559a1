"""What counts of the trials of a question: while a campaign runs, and for one that goes on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from detectors.evidence import Reason, Verdict
from rig.records import TrialRecord

#: A question is tried this often before its speed is set aside, or the search given up.
MOST_ATTEMPTS = 4
#: Less often where it is the detector that cannot tell: a speed close by may be clearer.
_ATTEMPTS_UNCLEAR = 2
#: Speeds that a search may set aside.
MOST_ASIDE = 4
#: What a speed close by may mend.
UNCLEAR = (Reason.UNSURE, Reason.MOTOR_NOT_HEARD, Reason.TOO_NOISY, Reason.WITNESSES_DISAGREE)
#: A clean trial with a skip at least this probable is made again.
_DOUBT = 0.1


def is_doubtful(record: TrialRecord) -> bool:
    """Whether a trial is called clean, and yet something was heard that may have been a skip."""
    return record.verdict is Verdict.CLEAN and record.p_skip >= _DOUBT


def most_attempts(reason: Reason) -> int:
    """How often a void of this reason is tried in all."""
    return _ATTEMPTS_UNCLEAR if reason in UNCLEAR else MOST_ATTEMPTS


def retold(records: Sequence[TrialRecord]) -> Iterator[tuple[TrialRecord, bool]]:
    """The trials that were told to a search, in their order, and whether they set a speed aside.

    Args:
        records: Trials in the order in which they were made.
    """
    for index, record in enumerate(records):
        following = records[index + 1 : index + 2]
        if (
            is_doubtful(record)
            and following
            and following[0].order.attempt == record.order.attempt + 1
        ):
            continue  # made again, longer: that one counts
        if record.verdict is not Verdict.VOID:
            yield record, False
        elif (
            record.reason in UNCLEAR
            and record.order.attempt >= most_attempts(record.reason)
            and (not following or following[0].order.attempt == 1)
        ):
            yield record, True
