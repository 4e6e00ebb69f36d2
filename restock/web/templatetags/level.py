"""Template tags that draw the graphics of `restock.web.charts`; each takes that function's arguments."""

from django import template

from restock.web import charts

register = template.Library()

register.simple_tag(charts.level_bar)
register.simple_tag(charts.level_key)
register.simple_tag(charts.demand_chart)
register.simple_tag(charts.likely_words)
