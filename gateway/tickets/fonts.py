"""The typeface of charts and job sheets: one that comes with the program, so that every machine
draws the same, with the letters of names in Latin, Greek and Cyrillic script and the units' signs.

Source Sans Pro, under the SIL Open Font Licence.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Final

__all__ = ["BOLD", "REGULAR"]

_FOLDER: Final = Path(str(files("font_source_sans_pro"))) / "files"

REGULAR: Final = _FOLDER / "SourceSansPro-Regular.ttf"
BOLD: Final = _FOLDER / "SourceSansPro-Semibold.ttf"
