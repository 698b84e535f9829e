"""``basinward tickets sheet``: the job sheet of a ticket in the records, by a fleet's files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import zxingcpp
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, write
from pypdf import PdfReader
from support.records import NOW_MS, open_records, raised, step
from typer.testing import CliRunner

from gateway.cli.app import app


def run(tmp_path: Path, *arguments: str, more: str = ""):
    fleet = write(tmp_path, site=REAL_SITE, fleet=REAL_FLEET + more)
    records = open_records(tmp_path)
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.close()
    command = ["tickets", "--data", str(tmp_path), "sheet", "1", "--fleet", str(fleet), *arguments]
    return CliRunner().invoke(app, command, env=ENVIRON)


def test_the_sheet_of_a_ticket_is_written(tmp_path: Path) -> None:
    out = tmp_path / "sheet.pdf"
    result = run(tmp_path, "--out", str(out))
    assert result.exit_code == 0, result.output
    text = " ".join(page.extract_text() for page in PdfReader(out).pages)
    assert "BW-000001" in text
    assert "Isolation points" in text
    assert not any(page.images for page in PdfReader(out).pages)


def test_its_qr_code_leads_to_the_board_that_the_fleets_file_names(tmp_path: Path) -> None:
    out = tmp_path / "sheet.pdf"
    board = '[board]\npublic_url = "https://board.north.example"\n'
    result = run(tmp_path, "--out", str(out), more=board)
    assert result.exit_code == 0, result.output
    (code,) = PdfReader(out).pages[0].images
    assert code.image is not None
    (found,) = zxingcpp.read_barcodes(np.asarray(code.image.convert("L")))
    assert found.text == "https://board.north.example/tickets/BW-000001"


def test_a_file_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    result = run(tmp_path, "--out", str(tmp_path / "none" / "sheet.pdf"))
    assert result.exit_code == 1
    assert "Name another file with --out" in result.output
