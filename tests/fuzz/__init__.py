"""Everything that comes from outside, fed with whatever bytes there are; see :mod:`.targets`."""

import sys
from pathlib import Path

# As under pytest: a search runs without it, and uses the helpers of the other tests.
for _folder in ("tests", "tests/gateway"):
    _path = str(Path(__file__).parents[2] / _folder)
    if _path not in sys.path:
        sys.path.append(_path)
