import parts
import pytest


@pytest.fixture
def unobtainable(monkeypatch):
    monkeypatch.setitem(parts.PARTS, "moonbeam", parts.Part(("moonbeam-utils",), programs=("no-such-program",)))


def test_a_missing_part_is_a_failure_in_ci(unobtainable, need, monkeypatch):
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="apt-get install moonbeam-utils"):
        need("moonbeam")


def test_what_is_missing_is_listed_with_its_line(unobtainable):
    assert parts.missing()["moonbeam"].mend == "apt-get install moonbeam-utils"


def test_a_part_without_root_or_apt_is_named_not_installed(unobtainable, monkeypatch, capsys):
    monkeypatch.setattr(parts.os, "geteuid", lambda: 1000)
    parts.install()
    assert "moonbeam-utils" in capsys.readouterr().out
