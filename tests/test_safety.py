"""The list of cautions: what must be on it, and the shop's own copy."""

from pathlib import Path

import pytest

from pipeline.shoot.safety import PLACES, cautions
from targets.errors import UserError


@pytest.fixture(autouse=True)
def no_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("APPDATA", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    return tmp_path / "settings" / "datumshot"


def test_every_place_defers_to_the_law_and_names_its_dangers() -> None:
    """The dangers that a shop must be told of, by place (common practice, no source)."""
    everywhere = ("local codes", "maker's procedure", "licensed practice", "battery", "eye", "pole")
    own = {
        "two-post": ("rated load", "locks", "balance", "jack", "tow truck"),
        "four-post": ("chock", "locks", "stands"),
        "yard": ("traffic", "stack", "sharp"),
        "arches": ("brake", "locks"),
    }
    for place in PLACES:
        told = " ".join(cautions(place).lines).lower()
        for word in (*everywhere, *own[place]):
            assert word in told, (place, word)


def test_the_shops_own_list_goes_first(tmp_path: Path, no_settings: Path) -> None:
    no_settings.mkdir(parents=True)
    (no_settings / "safety.txt").write_text("[always]\nHard hats.\n")
    job = tmp_path / "job"
    job.mkdir()
    assert cautions("yard", job).lines == ("Hard hats.",)
    (job / "safety.txt").write_text("# ours\n[yard]\nAsk Kim first.\n[two-post]\nNot here.\n")
    assert cautions("yard", job).lines == ("Ask Kim first.",)


@pytest.mark.parametrize(
    "text", ["Mind your head.\n", "[attic]\nMind your head.\n", "", "[two-post]\nLocks.\n"]
)
def test_a_list_that_would_hide_everything_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "safety.txt").write_text(text)
    with pytest.raises(UserError, match=r"safety\.txt"):
        cautions("yard", tmp_path)


def test_unknown_place() -> None:
    with pytest.raises(UserError, match="two-post"):
        cautions("attic")
