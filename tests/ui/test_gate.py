"""The door to the local network: one passcode, one browser, few tries."""

from __future__ import annotations

import io
import socket
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest
import segno
from PIL import Image

from grainmatch.errors import UsageError
from grainmatch.ui.gate import Gate
from grainmatch.ui.launch import SETTINGS, _check_port, find_lan_address, run_app


def test_a_passcode_lets_one_browser_in_and_is_then_used_up() -> None:
    gate = Gate("http://192.0.2.7:8501")
    passcode = gate.passcode
    key = gate.enter(f" {passcode.lower()} ")
    assert key is not None
    assert gate.admits(key)
    assert gate.passcode != passcode
    assert gate.enter(passcode) is None


def test_wrong_passcodes_shut_the_door_and_change_the_passcode() -> None:
    now_s = [1000.0]
    gate = Gate("http://192.0.2.7:8501", clock=lambda: now_s[0])
    first = gate.passcode
    assert [gate.enter("AAAAA-AAAAA") for _ in range(5)] == [None] * 5
    assert gate.shut_for_s > 50
    assert gate.enter(gate.passcode) is None, "even the right one must wait"
    now_s[0] += 61
    assert gate.enter(first) is None
    assert gate.enter(gate.passcode) is not None


@pytest.mark.parametrize("key", [None, "", "made up"])
def test_a_made_up_key_is_not_admitted(key: str | None) -> None:
    assert not Gate("http://192.0.2.7:8501").admits(key)


def test_a_key_ends_when_the_browser_leaves_and_after_half_a_day() -> None:
    now_s = [1000.0]
    gate = Gate("http://192.0.2.7:8501", clock=lambda: now_s[0])
    left, stays = gate.enter(gate.passcode), gate.enter(gate.passcode)
    gate.leave(left)
    assert (gate.admits(left), gate.admits(stays)) == (False, True)
    now_s[0] += 12 * 3600 + 1
    assert not gate.admits(stays)


def test_passcodes_differ_and_are_long_enough() -> None:
    passcodes = {Gate("x").passcode for _ in range(200)}
    assert len(passcodes) == 200
    bits = np.log2(32) * len(next(iter(passcodes)).replace("-", ""))
    assert bits >= 48


def test_nothing_secret_shows_when_the_gate_is_printed() -> None:
    gate = Gate("http://192.0.2.7:8501")
    assert gate.passcode.replace("-", "") not in repr(gate)


def test_the_code_to_point_a_phone_at_holds_the_link() -> None:
    """Read back with OpenCV's QR reader, which shares nothing with the one that wrote it."""
    gate = Gate("http://192.0.2.7:8501")
    buffer = io.BytesIO()
    segno.make(gate.link, error="m").save(buffer, kind="png", scale=6, border=4)
    picture = np.asarray(Image.open(buffer).convert("RGB"))
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
    assert text == gate.link


def test_the_installed_program_has_the_settings_of_the_config_file() -> None:
    tree = tomllib.loads((Path(__file__).parents[2] / ".streamlit" / "config.toml").read_text("utf-8"))

    def flat(branch: dict[str, object], start: str = "") -> dict[str, object]:
        out: dict[str, object] = {}
        for name, value in branch.items():
            out |= flat(value, f"{start}{name}.") if isinstance(value, dict) else {start + name: value}
        return out

    as_text = {
        k: v if isinstance(v, list) else str(v).lower() if isinstance(v, bool) else str(v)
        for k, v in flat(tree).items()
    }
    assert as_text == SETTINGS


def test_it_listens_on_this_machine_only_unless_asked() -> None:
    assert SETTINGS["server.address"] == "127.0.0.1"
    assert SETTINGS["browser.gatherUsageStats"] == "false"


def test_a_taken_port_is_said_in_words() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(UsageError, match="is in use"):
            _check_port("127.0.0.1", taken.getsockname()[1])


@pytest.mark.parametrize("port", [0, 80, 70_000])
def test_an_impossible_port_is_refused(port: int) -> None:
    with pytest.raises(UsageError, match="cannot be used"):
        run_app(port=port)


def test_the_lan_address_is_an_address_of_this_machine() -> None:
    try:
        address = find_lan_address()
    except UsageError:
        pytest.skip("this machine is on no network")
    with socket.socket() as probe:
        probe.bind((address, 0))
