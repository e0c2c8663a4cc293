"""Commands run in a process that can't know the yard: there, `sidetap.yard` can't be imported.

So what survey and match say of the demo's line they have from its bytes, as on a line nobody knows.
"""

import json
import subprocess
import sys
from typing import Any

from sidetap.errors import BadInput

# a name bound to None in sys.modules makes every import of it fail, whoever tries
PRELUDE = "import sys; sys.modules['sidetap.yard'] = None; "
_COMMAND = PRELUDE + "from sidetap.cli.main import main; main()"


def ask_blindly(*arguments: str) -> dict[str, Any]:
    """Run `sidetap ARGUMENTS --json` in such a process and return its document; BadInput when it failed."""
    done = subprocess.run(  # noqa: S603  (our own command, with arguments of ours)
        [sys.executable, "-c", _COMMAND, *arguments, "--json"], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        problem = done.stderr.strip().removeprefix("error: ") or f"it ended with {done.returncode}"
        raise BadInput(f"sidetap {arguments[0]}", problem.rstrip("."), "Run that command by itself.")
    document: dict[str, Any] = json.loads(done.stdout)
    return document
