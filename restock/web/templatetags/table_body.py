"""The rows of a table. A template would ask for the heading and the attributes of a column again in each of its cells,
which takes as long as everything else on a page of fifty rows."""

from __future__ import annotations

from django import template
from django.template.base import render_value_in_context
from django.template.context import Context
from django.templatetags.l10n import localize, unlocalize
from django.utils.html import conditional_escape, escape
from django.utils.safestring import SafeString
from django_tables2 import Table

register = template.Library()


@register.simple_tag(takes_context=True)
def table_body(context: Context, table: Table) -> SafeString:
    """The rows of the table's page, each cell with its column's heading for a phone that stacks them."""
    begins = {
        column.name: f'<td role="cell" data-label="{escape(column.header)}" {column.attrs["td"].as_html()}>'
        for column in table.columns
    }
    rows = []
    for row in table.paginated_rows:
        rows.append(f'<tr role="row" {row.attrs.as_html()}>')
        rows += [f"{begins[column.name]}{_shown(column, cell, context)}</td>" for column, cell in row.items()]
        rows.append("</tr>")
    return SafeString("".join(rows))


def _shown(column, cell: object, context: Context) -> str:
    if column.localize is None:
        return render_value_in_context(cell, context)
    return conditional_escape((localize if column.localize else unlocalize)(cell))
