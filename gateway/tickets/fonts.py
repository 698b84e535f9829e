"""The typeface of charts and job sheets: one that comes with the program, so that every machine
draws the same, with the letters of names in Latin, Greek and Cyrillic script and the units' signs.

Source Sans Pro, under the SIL Open Font Licence. Chinese, Japanese and Korean letters come from
fonts of the machine where it has them, since such a font is several times this program's size.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Final

__all__ = ["BOLD", "EAST_ASIAN", "REGULAR"]

_FOLDER: Final = Path(str(files("font_source_sans_pro"))) / "files"

REGULAR: Final = _FOLDER / "SourceSansPro-Regular.ttf"
BOLD: Final = _FOLDER / "SourceSansPro-Semibold.ttf"
EAST_ASIAN: Final = (
    Path("/usr/share/fonts/truetype/droid/DroidSansFallbackFull.ttf"),
    Path("/usr/share/fonts/truetype/nanum/NanumGothic.ttf"),
)
"""Where Debian's packages fonts-droid-fallback (Chinese, Japanese; Apache licence) and fonts-nanum
(Korean; SIL Open Font Licence) put their fonts; each may be missing."""
