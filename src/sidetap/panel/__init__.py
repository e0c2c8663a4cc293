"""The operator's page: a process of its own that shows what the station says and passes on what people ask.

The station's snapshots in (JSON lines over its Unix socket), a page in the browser out. It decides nothing, keeps
nothing and opens nothing. A page that is not sure to be live says so within 2 s and can only close.
"""

from sidetap.panel.app import LOOPBACK, PageFacts, create_app
from sidetap.panel.screen import Screen
from sidetap.panel.serve import is_loopback, serve

__all__ = ["LOOPBACK", "PageFacts", "Screen", "create_app", "is_loopback", "serve"]
