"""No reference a person gives can name a file."""

from pathlib import Path

import pytest

from ovenwright.errors import UnknownName
from ovenwright.web.refs import run_ref
from ovenwright.web.site import Site


@pytest.mark.parametrize(
    "text",
    [
        "",
        ".",
        "..",
        "../x",
        "a/b",
        "a\\b",
        "/etc/passwd",
        "a..b",
        "a\0",
        "a\n",
        "-x",
        "x" * 121,
        "é",
    ],
)
def test_what_could_be_a_path_is_no_reference(text: str) -> None:
    with pytest.raises(UnknownName):
        run_ref(text)


def test_an_id_passes_as_it_is() -> None:
    assert run_ref("2026-03-03-0442-rye-tin-loaf-1a2b-2") == "2026-03-03-0442-rye-tin-loaf-1a2b-2"


def test_a_file_of_that_name_outside_does_not_answer(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "secret.toml").write_text("x")
    with pytest.raises(UnknownName):
        run_ref("secret.toml", site.tools.logbook)
