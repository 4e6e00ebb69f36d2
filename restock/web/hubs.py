"""The one colour on the site that means a size: hubs of IV catheters, as ISO 10555-5 colours them."""

from __future__ import annotations

import re

from django.utils.html import format_html
from django.utils.safestring import SafeString

from inventory.models import Consumable

# The gauges that the stylesheet has a swatch for. A size has to name its hub, because a gauge alone may be a needle's.
HUB = re.compile(r"^(14|16|18|20|22|24|26) G \(.*\bhub\)$")


def hub_swatch(consumable: Consumable) -> SafeString | str:
    """A swatch to stand beside the written gauge, or nothing where the line is no catheter with a coloured hub."""
    gauge = HUB.match(consumable.size)
    return format_html('<span class="hub-swatch hub-{}" aria-hidden="true"></span>', gauge[1]) if gauge else ""
