"""The choices above the tables."""

import django_filters
from django import forms
from django.db.models import F, QuerySet
from django.utils.translation import gettext_lazy as _

from inventory.models import Criticality, Department, Place, Section
from restock.models import AdvisedPar, PlanLine

from .word_search import with_words


class PlanLineFilter(django_filters.FilterSet):
    """Choose lines of a plan by place, section, criticality, by what stays short, or by words."""

    words = django_filters.CharFilter(label=_("Name, size or code"), method="with_words")
    place = django_filters.ModelChoiceFilter(label=_("Cart"), queryset=Place.objects.none(), empty_label=_("any cart"))
    section = django_filters.ChoiceFilter(
        label=_("Section"), field_name="consumable__section", choices=Section.choices, empty_label=_("any section")
    )
    criticality = django_filters.ChoiceFilter(
        label=_("Criticality"),
        field_name="consumable__criticality",
        choices=Criticality.choices,
        empty_label=_("any"),
    )
    short = django_filters.BooleanFilter(
        label=_("Only what stays short"), method="staying_short", widget=forms.CheckboxInput
    )

    class Meta:
        model = PlanLine
        fields = ()

    def __init__(self, data, *, queryset: QuerySet[PlanLine], department: Department, request) -> None:
        super().__init__(data, queryset=queryset, request=request)
        self.filters["place"].field.queryset = Place.objects.filter(department=department).carts()

    def with_words(self, lines: QuerySet[PlanLine], name: str, words: str) -> QuerySet[PlanLine]:
        """Every word must stand in the name, the size, the code or the cart's name."""
        return with_words(lines, words, "consumable__name", "consumable__size", "consumable__code", "place__name")

    def staying_short(self, lines: QuerySet[PlanLine], name: str, only: bool) -> QuerySet[PlanLine]:
        return lines.filter(allocated__lt=F("top_up")) if only else lines


class AdvisedParFilter(django_filters.FilterSet):
    """Choose proposals by place, by section, by words, and by whether they ask for more or for less."""

    words = django_filters.CharFilter(label=_("Name, size or code"), method="with_words")
    place = django_filters.ModelChoiceFilter(
        label=_("Cart"), field_name="stocking_line__place", queryset=Place.objects.none(), empty_label=_("any cart")
    )
    section = django_filters.ChoiceFilter(
        label=_("Section"),
        field_name="stocking_line__consumable__section",
        choices=Section.choices,
        empty_label=_("any section"),
    )
    change = django_filters.ChoiceFilter(
        label=_("Change"),
        method="changing",
        choices=[("more", _("a higher par")), ("less", _("a lower par"))],
        empty_label=_("either"),
    )

    class Meta:
        model = AdvisedPar
        fields = ()

    def __init__(self, data, *, queryset: QuerySet[AdvisedPar], department: Department, request) -> None:
        super().__init__(data, queryset=queryset, request=request)
        self.filters["place"].field.queryset = Place.objects.filter(department=department).carts()

    def with_words(self, pars: QuerySet[AdvisedPar], name: str, words: str) -> QuerySet[AdvisedPar]:
        """Every word must stand in the name, the size or the code."""
        line = "stocking_line__consumable__"
        return with_words(pars, words, f"{line}name", f"{line}size", f"{line}code")

    def changing(self, pars: QuerySet[AdvisedPar], name: str, change: str) -> QuerySet[AdvisedPar]:
        return pars.filter(advised__gt=F("par")) if change == "more" else pars.filter(advised__lt=F("par"))
