"""What may be attached: known by content, harmless by name, bounded in size."""

from __future__ import annotations

import hashlib
import shutil
import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.tickets.attachments import MOST_BYTES, AttachmentRefused, attachment, media_type

# The shortest whole examples of each kind, as their standards begin them.
EXAMPLES = {
    "image/jpeg": bytes.fromhex("ffd8ffe000104a46494600010100000100010000ffd9"),
    "image/png": bytes.fromhex("89504e470d0a1a0a0000000d4948445200000001000000010802000000"),
    "image/webp": b"RIFF\x24\x00\x00\x00WEBPVP8 " + bytes(24),
    "image/heic": b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(8),
    "application/pdf": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n",
}


@pytest.mark.parametrize("kind", EXAMPLES)
def test_the_type_is_known_by_content_as_libmagic_knows_it(kind: str) -> None:
    """libmagic (the command `file`) is the independent judge."""
    assert media_type(EXAMPLES[kind]) == kind
    command = shutil.which("file")
    if command is None:
        pytest.skip("the command `file` is not installed")
    told = subprocess.run(
        [command, "--brief", "--mime-type", "-"],
        input=EXAMPLES[kind], capture_output=True, check=True,
    ).stdout  # fmt: skip
    assert told.decode().strip() == kind


@pytest.mark.parametrize(
    "content",
    [
        b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>",
        b"<!DOCTYPE html><script>1</script>",
        b"MZ\x90\x00" + bytes(60),
        b"\x7fELF" + bytes(60),
        b"#!/bin/sh\n",
        b"PK\x03\x04" + bytes(30),
        b"GIF8",
        b" %PDF-1.7",
        b"\x00\x00\x00\x18ftypisom" + bytes(16),
    ],
)
def test_anything_else_is_refused_whatever_its_name_says(content: bytes) -> None:
    with pytest.raises(AttachmentRefused, match=r"'photo\.jpg' is neither a photo .* nor a PDF"):
        attachment("photo.jpg", content)


def test_size_is_bounded_and_nothing_is_not_a_file() -> None:
    with pytest.raises(AttachmentRefused, match="is empty"):
        attachment("a.pdf", b"")
    most = b"%PDF-" + bytes(MOST_BYTES - 5)
    assert attachment("a.pdf", most).content is most
    with pytest.raises(AttachmentRefused, match=r"has 10\.0 MB; 10 MB is the most"):
        attachment("a.pdf", most + b"x")


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("screen.pdf", "screen.pdf"),
        ("../../etc/passwd.pdf", "passwd.pdf"),
        ("C:\\photos\\screen.PDF", "screen.PDF"),
        ("run.exe", "run.exe.pdf"),
        ("a\r\nContent-Type: text/html.pdf", "aContent-Type_ text_html.pdf"),
        ('"><script>.pdf', "___script_.pdf"),
        ("", "file.pdf"),
        ("...", "file.pdf"),
        ("\u202efdp.exe", "fdp.exe.pdf"),
    ],
)
def test_names_are_made_harmless(name: str, kept: str) -> None:
    made = attachment(name, EXAMPLES["application/pdf"])
    if "/" in name and "html" in name:
        kept = "html.pdf"  # what stands behind the last slash
    assert made.name == kept
    assert made.sha256 == hashlib.sha256(EXAMPLES["application/pdf"]).hexdigest()


@given(st.text(max_size=300))
def test_any_name_becomes_one_that_is_short_and_plain(name: str) -> None:
    made = attachment(name, EXAMPLES["image/png"]).name
    assert 0 < len(made) <= 120
    assert made.lower().endswith(".png")
    assert not set(made) & set('/\\<>:"|?*;\r\n\0')
    assert not made.startswith(".")


@given(st.binary(max_size=64))
def test_any_bytes_are_judged(content: bytes) -> None:
    assert media_type(content) in {None, *EXAMPLES}
