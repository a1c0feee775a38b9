"""Pictures of the screens are compared on any interpreter, but drawn anew only on purpose."""

from __future__ import annotations

import sys
from pathlib import Path

# The stage and the scripted session are those of the terminal tests.
sys.path.insert(0, str(Path(__file__).parents[1] / "tui"))
