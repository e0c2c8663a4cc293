"""The demo's scheme, verified before it runs, with the stamp where the station looks for it."""

from datetime import UTC, datetime
from pathlib import Path

from sidetap.promises.build import build_model
from sidetap.promises.stamp import write_stamp
from sidetap.site import load_or_refuse
from sidetap.site.cause_effect import compile_site
from sidetap.verify import Progress, Verification, verify
from sidetap.verify.stamping import stamp_of


def verify_and_stamp(site_path: Path, progress: Progress | None = None) -> Verification:
    """Verify the scheme of a site file and keep what was found beside it."""
    site = load_or_refuse(site_path)
    scheme = compile_site(site)
    result = verify(site, scheme, progress)
    write_stamp(site_path, stamp_of(build_model(site, scheme.program), result, datetime.now(UTC), result.certificate))
    return result
