"""A panel server as a process of its own, for tests that kill it: `python panel_process.py SOCKET PORT`."""

import sys
from pathlib import Path

from sidetap.panel import PageFacts, Screen, create_app, serve

FACTS = PageFacts(
    bay_name="Road",
    site_name="Tarn Hollow Growers' Co-op",
    time_zone="America/Chicago",
    stop="red button on the post",
    screen=Screen.parse("15.6 in"),
)


def announce(address: str) -> None:
    sys.stdout.write(f"{address}\n")
    sys.stdout.flush()


def main() -> None:
    """Serve bay B and print the address when it answers."""
    app = create_app(Path(sys.argv[1]), "B", FACTS)
    serve(app, "127.0.0.1", int(sys.argv[2]), announce)


if __name__ == "__main__":
    main()
