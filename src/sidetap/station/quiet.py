"""Quiet hours: whether the site's clock stands inside them, for the scheme."""

from datetime import datetime

from sidetap.site.model import QuietHours, Site


def quiet_inputs(site: Site, local: datetime) -> dict[str, bool]:
    """Return the scheme's inputs for the site's rules of quiet hours, at a moment by the site's own clock."""
    minute = local.hour * 60 + local.minute
    return {f"{rule.tag}.quiet": _inside(rule, minute) for rule in site.rules if isinstance(rule, QuietHours)}


def _inside(rule: QuietHours, minute: int) -> bool:
    """Return whether a minute of the day is among a rule's: the first one is, the last one is not."""
    if rule.from_minute <= rule.to_minute:
        return rule.from_minute <= minute < rule.to_minute
    return minute >= rule.from_minute or minute < rule.to_minute  # over midnight
