"""No page brings script or style inside it: the content-security policy would refuse them."""

import re
from pathlib import Path

import pytest

TEMPLATES = Path(__file__).parents[2] / "src" / "ovenwright" / "web" / "templates"
INLINE = {
    "a script inside the page": re.compile(r"<script(?![^>]*\bsrc=)[^>]*>", re.IGNORECASE),
    "a style sheet inside the page": re.compile(r"<style\b", re.IGNORECASE),
    "a style attribute": re.compile(r"<[a-z][^<>]*\sstyle\s*=", re.IGNORECASE),
    "a handler attribute": re.compile(r"<[a-z][^<>]*\son[a-z]+\s*=", re.IGNORECASE),
    "an address that is a script": re.compile(r"(?:href|src|action)\s*=\s*[\"']?\s*javascript:", re.IGNORECASE),
    "something from another machine": re.compile(r"(?:href|src|action)\s*=\s*[\"']?\s*(?:https?:)?//", re.IGNORECASE),
    "a form that skips escaping": re.compile(r"\{%\s*autoescape\s+false", re.IGNORECASE),
}  # fmt: skip
PAGES = sorted(p.name for p in TEMPLATES.glob("*.j2"))


def faults(text: str) -> list[str]:
    return [what for what, pattern in INLINE.items() if pattern.search(text)]


@pytest.mark.parametrize("page", PAGES)
def test_page_has_nothing_inline(page: str) -> None:
    assert faults((TEMPLATES / page).read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("page", PAGES)
def test_every_form_that_changes_carries_the_token(page: str) -> None:
    text = (TEMPLATES / page).read_text(encoding="utf-8")
    for form in re.findall(
        r"<form\b[^>]*\bmethod=\"post\".*?</form>", text, re.DOTALL | re.IGNORECASE
    ):
        head = form.split("<input", 2)
        assert len(head) > 1, form[:200]
        assert 'name="form-token"' in head[1], (
            f"{page}: the token comes first, before any file: {form[:200]}"
        )


def test_the_check_itself_would_notice() -> None:
    bad = (
        "<script>x</script>", "<style>", '<p style="x">', '<p class="a" onclick="x">',
        '<a href="javascript:x">', '<img src="https://x.example/">', "{% autoescape false %}",
    )  # fmt: skip
    assert all(faults(b) for b in bad)
    assert (
        faults('<script type="module" src="/static/x.js"></script> <p class="style">on it</p>')
        == []
    )
