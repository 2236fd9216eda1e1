"""What `demo/run` does, for systems without bash too: sets up what it needs once, then makes a disc image without any
network.

    python demo/run.py [FOLDER]
"""

import os
import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).resolve().parent.parent
PYTHON = TOP / ".venv" / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")


def main() -> int:
    set_up = subprocess.run([sys.executable, TOP / ".ci" / "setup.py"]).returncode
    return set_up or subprocess.run([PYTHON, "demo/show.py", *map(os.path.abspath, sys.argv[1:])], cwd=TOP).returncode


if __name__ == "__main__":
    sys.exit(main())
