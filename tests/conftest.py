"""What holds for all tests: nothing is kept in this user's own folders."""

import os
import tempfile
from pathlib import Path

# Before anything asks for it, and one folder for the run: a product's tables are then built once.
os.environ["ELINSPECT_CACHE"] = str(Path(tempfile.gettempdir()) / f"elinspect-tests-{os.getpid()}")
