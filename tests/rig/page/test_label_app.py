"""The labelling page's server: the door, the answers, undo and proposals."""

from __future__ import annotations

import io
import threading
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from detectors.evidence import Judgement, Reason, Verdict
from detectors.settings import DetectorSettings
from detectors.takes import Take, read_take_list
from rig.page.label_app import LabelPage, make_label_app
from rig.page.labelling import Labelling, Proposals, find_lists
from rig.page.server import open_socket, static_file
from rig.page.sound import Excerpt, picture_bytes, read_excerpt

TOKEN, PORT = "k3y", 8123
SKIPS = Judgement(
    Verdict.SKIP, Reason.CLICK_TRAIN, 0.98, 2.0, first_skip_s=1.2, click_times_s=(1.2, 1.5)
)


def judged(take: Take, settings: DetectorSettings | None) -> Judgement:
    return SKIPS


@pytest.fixture
def session(take_list: Path) -> Labelling:
    return Labelling(find_lists(take_list.parent), take_list.parent)


@pytest.fixture
def ask(session: Labelling, visit: Callable[..., Any]) -> Any:
    proposals = Proposals(session, judge=judged)
    app = make_label_app(
        session, proposals, token=TOKEN, port=PORT, ended=lambda: False, name="set"
    )
    return visit(app, token=TOKEN, port=PORT)


@pytest.mark.parametrize(
    ("path", "headers"),
    [
        ("/wrong/state", {}),
        ("/", {}),
        (f"/{TOKEN}x/state", {}),
        (f"/{TOKEN}/state", {"host": f"rebound.example:{PORT}"}),
        (f"/{TOKEN}/state", {"host": "127.0.0.1:1"}),
    ],
)
def test_strangers_are_turned_away(ask: Any, path: str, headers: dict[str, str]) -> None:
    answer = ask(path, absolute=True, headers=headers)
    assert answer.status == 403
    assert b"take" not in answer.body


@pytest.mark.parametrize(
    "headers", [{"origin": "http://elsewhere.example"}, {"content-type": "text/plain"}]
)
def test_changes_come_from_the_page_only(
    ask: Any, take_list: Path, headers: dict[str, str]
) -> None:
    before = take_list.read_bytes()
    assert ask("takes/0", body={"label": "skip"}, headers=headers).status == 403
    assert take_list.read_bytes() == before
    own = {"origin": f"http://127.0.0.1:{PORT}"}
    assert ask("takes/0", body={"label": "skip"}, headers=own).status == 200


def test_the_page_may_load_nothing_from_elsewhere(ask: Any) -> None:
    answer = ask("")
    assert answer.status == 200
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    for name in ("label.html", "label.css", "label.js", "picture.js", "player.js", "base.css"):
        content = static_file(name)[0].decode()
        assert "http://" not in content.replace("http://www.w3.org/2000/svg", "")
        assert "https://" not in content
    assert b"--clean" in ask("palette.css").body
    for name in ("server.py", "../server.py", "absent.js"):
        assert ask(name).status == 404


def test_every_key_on_the_page_is_shown_and_acts() -> None:
    page, script = (static_file(name)[0].decode() for name in ("label.html", "label.js"))
    table = script.partition("const actions = {")[2].partition("};")[0]
    for key in "1234FGHMUEBNJK0":
        assert f"<kbd>{key}</kbd>" in page
        assert f"{key.lower()}: " in table


def test_a_label_is_on_disk_when_the_answer_comes(ask: Any, take_list: Path) -> None:
    answer = ask("takes/1", body={"label": "skip", "first_skip_s": 1.2, "file": "take-1.wav"})
    assert answer.json()["take"]["label"] == "skip"
    assert answer.json()["can_undo"] is True
    take = read_take_list(take_list)[1]
    assert (take.label, take.first_skip_s, take.note) == (Verdict.SKIP, 1.2, "made 1")


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"label": "maybe"}, 422),
        ({"label": ["skip"]}, 422),
        ({"first_skip_s": "soon"}, 422),
        ({"first_skip_s": True}, 422),
        ({"first_skip_s": -1}, 422),
        ({"note": 3}, 422),
        ({"note": "x" * 2001}, 422),
        ({"label": "skip", "file": "other.wav"}, 409),
        (["skip"], 400),
    ],
)
def test_wrong_changes_are_refused(ask: Any, take_list: Path, body: Any, status: int) -> None:
    before = take_list.read_bytes()
    answer = ask("takes/0", body=body)
    assert answer.status == status
    assert answer.json()["problem"]
    assert take_list.read_bytes() == before


def test_broken_requests_get_plain_answers(ask: Any) -> None:
    assert ask("takes/0", raw=b"{").status == 400
    assert ask("takes/99", body={"label": "skip"}).status == 404
    assert ask("takes/99/picture").status == 404
    assert ask("takes/0/picture?from_s=soon").status == 422
    assert ask("takes/0/picture?from_s=nan").status == 422


def test_undo_takes_back_change_by_change(ask: Any, take_list: Path) -> None:
    before = take_list.read_bytes()
    ask("takes/0", body={"label": "clean"})
    ask("takes/1", body={"label": "skip", "first_skip_s": 1.5})
    ask("takes/1", body={"label": "skip", "first_skip_s": 1.5})  # no change, nothing to undo
    assert ask("undo", body={}).json()["take"]["index"] == 1
    answer = ask("undo", body={}).json()
    assert (answer["take"]["index"], answer["take"]["label"]) == (0, None)
    assert answer["can_undo"] is False
    assert ask("undo", body={}).json()["take"] is None
    assert read_take_list(take_list)[0].label is None
    assert take_list.read_text().splitlines() == before.decode().splitlines()


def test_a_list_changed_underneath_is_a_conflict_until_read_again(
    ask: Any, take_list: Path
) -> None:
    ask("takes/0", body={"label": "clean"})
    take_list.write_text(take_list.read_text().replace("made 2", "theirs"))
    answer = ask("takes/1", body={"label": "skip"})
    assert answer.status == 409
    assert answer.json()["changed"] is True
    assert ask("undo", body={}).status == 409
    state = ask("reload", body={}).json()
    assert state["takes"][2]["note"] == "theirs"
    assert state["can_undo"] is False
    assert ask("takes/1", body={"label": "skip"}).status == 200
    assert "theirs" in take_list.read_text()


def test_sound_is_a_wav_from_before_the_motion(ask: Any) -> None:
    answer = ask("takes/0/sound.wav")
    assert float(answer.headers["x-start-s"]) == 0.0
    with wave.open(io.BytesIO(answer.body)) as file:
        assert (file.getframerate(), file.getnchannels(), file.getnframes()) == (16000, 1, 48000)
        plain = np.frombuffer(file.readframes(48000), "<i2")
    with wave.open(io.BytesIO(ask("takes/0/sound.wav?loud=1").body)) as file:
        loud = np.frombuffer(file.readframes(48000), "<i2")
    assert plain.max() < 0.1 * 32767
    assert np.abs(loud.astype(int)).max() == pytest.approx(0.9 * 32767, abs=2)


def test_a_missing_sound_is_said_and_can_still_be_labelled(ask: Any, take_list: Path) -> None:
    (take_list.parent / "take-2.wav").unlink()
    (take_list.parent / "take-3.wav").write_bytes(b"RIFF nothing")
    for index in (2, 3):
        assert ask(f"takes/{index}/picture").status == 422
        assert f"take-{index}.wav" in ask(f"takes/{index}/sound.wav").json()["problem"]
    assert ask("takes/2", body={"label": "void"}).status == 200


def parts(content: bytes) -> tuple[dict[str, Any], np.ndarray[Any, Any]]:
    import json

    length = int.from_bytes(content[:4], "little")
    head = json.loads(content[4 : 4 + length])
    size = head["rows"] * head["columns"]
    assert len(content) == 4 + length + size + 2 * head["columns"]
    levels = np.frombuffer(content, np.uint8, size, 4 + length)
    return head, levels.reshape(head["rows"], head["columns"])


def test_the_picture_shows_tone_and_click_where_they_are(session: Labelling) -> None:
    excerpt = read_excerpt(session.take(1))
    head, levels = parts(picture_bytes(excerpt, columns=600))
    assert (head["from_s"], head["to_s"]) == (0.0, 3.0)
    times = (np.arange(head["columns"]) + 0.5) * 3.0 / head["columns"]
    hz = (np.arange(head["rows"]) + 0.5) * head["highest_hz"] / head["rows"]
    moving = levels[:, (times > 0.7) & (times < 1.1)].mean(axis=1)
    assert abs(hz[int(moving.argmax())] - 209.0) < 100.0
    high = levels[hz > 3000.0].mean(axis=0)
    loudest = times[int(high.argmax())]
    assert min(abs(loudest - click) for click in (1.2, 1.5, 1.8, 2.1)) < 0.02


def test_a_click_stays_visible_however_long_the_stretch() -> None:
    rng = np.random.default_rng(2)
    samples = (1e-3 * rng.standard_normal(16000 * 200)).astype(np.float32)
    samples[16000 * 90 : 16000 * 90 + 60] = 0.5
    head, levels = parts(picture_bytes(Excerpt(samples, 16000, 10.0, 210.0), columns=300))
    assert head["columns"] == 300
    assert int(levels.mean(axis=0).argmax()) == int(90 / 200 * 300)


@pytest.mark.parametrize("samples", [np.zeros(2), np.zeros(5000), np.full(700, 0.25)])
def test_silence_and_scraps_make_a_picture(samples: np.ndarray[Any, Any]) -> None:
    head, _ = parts(picture_bytes(Excerpt(samples.astype(np.float32), 8000, 0.0, 1.0)))
    assert head["columns"] >= 1


def test_proposals_come_in_the_background_and_start_at_the_open_take(session: Labelling) -> None:
    order: list[str] = []
    all_done = threading.Event()
    may_go = threading.Event()

    def judge(take: Take, settings: DetectorSettings | None) -> Judgement:
        may_go.wait(10)
        order.append(take.file)
        if len(order) == len(session):
            all_done.set()
        if take.file == "take-3.wav":
            raise RuntimeError("odd file")
        return SKIPS

    proposals = Proposals(session, judge=judge)
    proposals.focus(2)
    page = LabelPage(session, proposals, ended=lambda: False, name="set")
    proposals.start()
    may_go.set()
    assert all_done.wait(20)
    proposals.close()
    proposals._thread.join(20)
    assert order == ["take-2.wav", "take-3.wav", "take-0.wav", "take-1.wav"]
    told = page.news()()
    assert [name for name, _ in told] == ["proposal"] * 4
    assert told[0][1]["proposal"]["click_times_s"] == [1.2, 1.5]
    assert told[3][1]["proposal"] == {"verdict": None, "explanation": "no proposal: odd file"}
    assert page.state()["takes"][0]["proposal"]["verdict"] == "skip"


def test_the_event_stream_tells_and_ends(ask: Any, take_list: Path) -> None:
    take_list.write_text(take_list.read_text() + "\n")
    answer = ask("events", stop=lambda body: b"event: changed" in body)
    assert answer.headers["content-type"].startswith("text/event-stream")
    assert str(take_list) in answer.body.decode()


def test_a_taken_port_is_said_in_one_line() -> None:
    from rig.errors import UsageError

    with open_socket(0) as first:
        first.listen()
        with pytest.raises(UsageError, match="--port"):
            open_socket(first.getsockname()[1])


def test_folders_without_takes_are_said(tmp_path: Path) -> None:
    from detectors.errors import TakeError

    for path in (tmp_path, tmp_path / "absent"):
        with pytest.raises(TakeError, match=r"no takes\.csv|no such"):
            find_lists(path)
