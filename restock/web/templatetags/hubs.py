"""`{% hub consumable %}`: the swatch of an IV catheter's hub, beside its written gauge."""

from django import template

from ..hubs import hub_swatch

register = template.Library()
register.simple_tag(hub_swatch, name="hub")
