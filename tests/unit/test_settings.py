"""Secrets that cannot be read or used: the file or variable is named, what is wrong with it said, the secret never."""

from pathlib import Path

import pytest

import brakewater.settings
from brakewater.errors import Fault, RigFileError
from brakewater.settings import settings, strangers

NAME = "brakewater_mqtt_password"
TOKENS = "brakewater_mirror_tokens"


@pytest.fixture(autouse=True)
def bare(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("MQTT_PASSWORD", "MIRROR_TOKENS", "PANEL_PINS", "SIGNING_KEY"):
        monkeypatch.delenv(f"BRAKEWATER_{name}", raising=False)


def refused(folder: Path) -> tuple[Fault, ...]:
    with pytest.raises(RigFileError) as caught:
        settings(str(folder))
    return caught.value.faults


def test_what_can_be_read_is_taken_whatever_the_case_of_its_name(tmp_path: Path) -> None:
    (tmp_path / NAME.upper()).write_text("open\n")
    (tmp_path / TOKENS).write_text('{"office": "t"}')
    (tmp_path / "brakewater_unknown").mkdir()
    found = settings(str(tmp_path))
    assert set(found.secrets()) == {"open", "t"}
    assert settings(None).secrets() == ()


def test_a_folder_in_a_files_place_is_named(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    (one,) = refused(tmp_path)
    assert (one.file, one.key, one.found) == (
        str(tmp_path / NAME), "mqtt_password", "a folder, where a file is wanted"
    )  # fmt: skip


def test_every_one_that_cannot_be_read_is_named_at_once(tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(b"\xff\xfe")
    (tmp_path / TOKENS).symlink_to(tmp_path / "gone")
    assert [(one.key, one.found) for one in refused(tmp_path)] == [
        ("mqtt_password", "bytes that are no UTF-8 text"),
        ("mirror_tokens", "no such file or folder"),
    ]


def test_a_link_out_of_the_folder_is_not_passed_over_in_silence(tmp_path: Path) -> None:
    (tmp_path / "else").write_text("open")
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / NAME).symlink_to(tmp_path / "else")
    (one,) = refused(tmp_path / "folder")
    assert one.found == f"a link to {tmp_path / 'else'}"


def test_one_that_this_user_may_not_read_is_not_blamed_on_what_stands_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / NAME).write_text("open")

    def closed(*_: object, **__: object) -> str:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(brakewater.settings.Path, "read_text", closed)  # root may read what it likes
    (one,) = refused(tmp_path)
    assert "may not read" in one.found
    assert one.file == str(tmp_path / NAME)


@pytest.mark.parametrize("what", ["none", "file"])
def test_a_folder_that_is_none_is_said(tmp_path: Path, what: str) -> None:
    (tmp_path / "file").write_text("")
    (one,) = refused(tmp_path / what)
    assert (one.file, one.key) == (str(tmp_path / what), "CREDENTIALS_DIRECTORY")


@pytest.mark.parametrize("text", ["", "secret", '["secret"]', '{"office": 7}'])
def test_what_cannot_be_used_is_said_of_the_place_it_was_taken_from(
    tmp_path: Path, text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / TOKENS).write_text(text)
    (one,) = refused(tmp_path)
    assert (one.file, one.key) == (str(tmp_path / TOKENS), "mirror_tokens")
    assert "/etc/brakewater/credentials" in one.hint  # systemd's copy is gone by the time somebody reads this
    assert "JSON object" in one.allowed
    assert "secret" not in str(one)
    monkeypatch.setenv("BRAKEWATER_MIRROR_TOKENS", text)
    (one,) = refused(tmp_path)
    assert (one.file, one.key, one.hint) == ("environment", "BRAKEWATER_MIRROR_TOKENS", "")
    assert "secret" not in str(one)


def test_a_secret_under_a_wrong_name_is_told(tmp_path: Path) -> None:
    for name in (NAME, "brakewater_brakewater_signing_key", "another_programs"):
        (tmp_path / name).write_text("open")
    (one,) = strangers(str(tmp_path))
    assert one.startswith("credential brakewater_signing_key is read by nothing; the names that are: mqtt_password, ")
    assert strangers(None) == ()
