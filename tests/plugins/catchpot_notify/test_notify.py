"""Word of findings that ask for action: off by default, dry at first, each told once. Nothing leaves in these tests."""

from __future__ import annotations

import json
import smtplib
import urllib.request
from email.message import EmailMessage
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pytest
from tests.plugins.catchpot_notify.shop import shop_with_findings

from catchpot import RunOutcome
from catchpot.cli import main
from catchpot.plugins import load
from catchpot.plugins.telling import tell_finished
from catchpot.workshop import open_workshop

HOOK = '[settings.notify]\nweb_hook = "http://invented.invalid/hook"\n'
MAIL = (
    '[settings.notify]\nmail_to = ["a@example.invalid"]\nmail_from = "b@example.invalid"\n'
    'smtp_host = "mail.example.invalid"\n'
)


class Box:
    """Takes what would be sent. fails: an error to raise instead."""

    def __init__(self) -> None:
        self.posted: list[dict[str, Any]] = []
        self.mails: list[EmailMessage] = []
        self.fails: OSError | None = None

    def urlopen(self, request: urllib.request.Request, timeout: float) -> Self:
        assert request.full_url == "http://invented.invalid/hook" and 0 < timeout <= 120
        if self.fails:
            raise self.fails
        assert isinstance(request.data, bytes)
        self.posted.append(json.loads(request.data))
        return self

    def server(self, host: str, port: int, timeout: float) -> Self:
        assert (host, port) == ("mail.example.invalid", 587)
        return self

    def ehlo(self) -> None: ...

    def has_extn(self, name: str) -> bool:
        return False

    def send_message(self, letter: EmailMessage) -> None:
        self.mails.append(letter)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, a: type[BaseException] | None, b: BaseException | None, c: TracebackType | None) -> None: ...


@pytest.fixture(autouse=True)
def box(monkeypatch: pytest.MonkeyPatch) -> Box:
    made = Box()
    monkeypatch.setattr(urllib.request, "urlopen", made.urlopen)
    monkeypatch.setattr(smtplib, "SMTP", made.server)
    return made


def finished(home: Path) -> list[str]:
    return tell_finished(load(open_workshop(home)), RunOutcome(home, None, {}, {}, {}))


def test_off_unless_the_settings_ask_for_it(tmp_path: Path, box: Box, capsys: pytest.CaptureFixture[str]) -> None:
    shop_with_findings(tmp_path, "[settings.notify]\ndry_run = false\n")
    assert finished(tmp_path) == [] and not box.posted and not box.mails
    assert capsys.readouterr().err == ""


def test_dry_at_first(tmp_path: Path, box: Box, capsys: pytest.CaptureFixture[str]) -> None:
    shop_with_findings(tmp_path, HOOK)
    for _ in range(2):
        assert finished(tmp_path) == [] and not box.posted
        said = capsys.readouterr().err
        assert said.count("dry run, nothing was sent") == 1 and "hatch s1: Zeile" in said


def test_each_is_posted_once_and_only_what_asks_for_action_now(tmp_path: Path, box: Box) -> None:
    shop_with_findings(tmp_path, HOOK + "dry_run = false\n")
    assert finished(tmp_path) == [] and finished(tmp_path) == []
    [document] = box.posted
    assert document["workshop"] == "Invented shop" and "Advice only" in document["note"]
    assert [f["kind"] for f in document["findings"]] == ["short_fill"]


def test_what_was_not_taken_is_said_and_tried_again(tmp_path: Path, box: Box) -> None:
    shop_with_findings(tmp_path, HOOK + "dry_run = false\n")
    box.fails = OSError("no route")
    [said] = finished(tmp_path)
    assert "the web hook did not take it (no route); the next run tries again" in said
    box.fails = None
    assert finished(tmp_path) == [] and len(box.posted) == 1


def test_a_mail(tmp_path: Path, box: Box) -> None:
    shop_with_findings(tmp_path, MAIL + "dry_run = false\n")
    assert finished(tmp_path) == []
    [letter] = box.mails
    assert letter["Subject"] == "Invented shop: 1 findings ask for action" and letter["To"] == "a@example.invalid"
    assert "Look at the vent." in letter.get_content() and "Advice only" in letter.get_content()


def test_no_password_goes_to_a_server_without_encryption(tmp_path: Path, box: Box) -> None:
    shop_with_findings(tmp_path, MAIL + 'dry_run = false\nsmtp_user = "b"\n')
    [said] = finished(tmp_path)
    assert "offers no encryption" in said and not box.mails


def test_the_command_says_and_sends_when_told(tmp_path: Path, box: Box, capsys: pytest.CaptureFixture[str]) -> None:
    shop_with_findings(tmp_path, HOOK)
    home = ["--home", str(tmp_path), "notify"]
    assert main(home) == 0 and "would be sent:" in capsys.readouterr().out and not box.posted
    assert main([*home, "--send"]) == 0 and len(box.posted) == 1
    capsys.readouterr()
    assert main(home) == 0 and capsys.readouterr().out == "nothing new asks for action\n"


def test_an_address_of_another_kind_is_refused(tmp_path: Path) -> None:
    shop_with_findings(tmp_path, '[settings.notify]\nweb_hook = "file:///etc/passwd"\n')
    registry = load(open_workshop(tmp_path))
    [problem] = registry.check_settings()
    assert "expected an address that begins with https:// or http://" in str(problem)
