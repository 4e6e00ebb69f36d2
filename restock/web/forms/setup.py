"""Forms of the set-up pages: choices of one department, and the words of a broken constraint at its field."""

from __future__ import annotations

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator
from django.db.models import BaseConstraint, Field, UniqueConstraint
from django.forms.models import construct_instance
from django.utils.translation import gettext_lazy as _

from inventory.models import Bin, Department, Place, StockingLine
from restock.models.notes import about_stock_only

from ..form_words import CHOOSE, NONE
from ..setup_pages import FIELD_WORDS, SetupPage
from .many import ManyField

# Pieces, days of age and places in an order all stay below it; what a finger left on a key makes does not.
MOST_FIGURE = 99_999


class ConstraintsAtFields(forms.ModelForm):
    """A model form that checks every constraint, also over fields that it does not show, and answers at the field.

    The error code of a constraint names the field at which it is best mended. Uniqueness stands at its last field.
    """

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            _say_what_empty_means(field)
            if type(field) is forms.IntegerField:  # not those made from it, for shares and costs
                field.validators.append(MaxValueValidator(MOST_FIGURE))

    def _post_clean(self) -> None:
        # As Django's own, but for the constraints, whose names it does not pass on.
        self.instance = construct_instance(self, self.instance, self._meta.fields, self._meta.exclude)
        exclude = self._get_validation_exclusions()
        try:
            self.instance.full_clean(exclude=exclude, validate_unique=False, validate_constraints=False)
        except ValidationError as error:
            self._update_errors(error)
        faulty = set(self.errors)
        for constraint in self.instance._meta.constraints:
            if isinstance(constraint, UniqueConstraint) and faulty.intersection(constraint.fields):
                continue
            try:
                constraint.validate(type(self.instance), self.instance, exclude=faulty)
            except ValidationError as error:
                self.add_error(self._field_of(constraint), error.messages)

    def _field_of(self, constraint: BaseConstraint) -> str | None:
        names = (constraint.violation_error_code, *reversed(getattr(constraint, "fields", ())))
        return next((name for name in names if name in self.fields), None)


def _say_what_empty_means(field: forms.Field) -> None:
    """Let the empty choice of a list say whether one has to be chosen."""
    words = CHOOSE if field.required else NONE
    if type(field) is forms.ModelChoiceField:
        field.empty_label = field.empty_label and words
    elif isinstance(field, forms.TypedChoiceField):
        field.choices = [(value, words if value == "" else label) for value, label in field.choices]


class SetupForm(ConstraintsAtFields):
    """The form of one row of a set-up page; made for the page by `form_for`."""

    page: SetupPage

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        for name, value in self.page.fixed.items():
            setattr(self.instance, name, value)
        if any(field.name == "department" for field in self.instance._meta.fields):
            self.instance.department = department
        for name, field in self.fields.items():
            field.label = self.page.label(name)
            if isinstance(field, forms.ModelChoiceField):
                field.queryset = field.queryset.filter(department=department, **self.page.choices.get(name, {}))
            if isinstance(field, forms.ModelMultipleChoiceField):
                field.widget = forms.CheckboxSelectMultiple(choices=field.choices)
                field.help_text = self.instance._meta.get_field(name).help_text


def form_for(page: SetupPage) -> type[SetupForm]:
    form = type(f"{page.model.__name__}Form", (SetupForm,), {"page": page})
    return forms.modelform_factory(page.model, form=form, fields=page.fields, formfield_callback=_field_of)


def _field_of(of: Field, **options) -> forms.Field | None:
    return of.formfield(**({"form_class": ManyField} if of.many_to_many else {}), **options)


class ParRowForm(ConstraintsAtFields):
    """One row of a par sheet. Each field carries what it was when the page was made, so that only what this person
    changed is written. `par_grid` draws it."""

    off = forms.BooleanField(label=_("take off"), required=False)

    class Meta:
        model = StockingLine
        fields = ("par", "floor", "capacity", "bin", "tracking")

    def __init__(self, *args, bins: list[Bin], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        offered = [("", "-"), *((str(one.pk), one.code) for one in bins)]
        by_id = {str(one.pk): one for one in bins}
        self.fields["bin"] = forms.TypedChoiceField(choices=offered, coerce=by_id.get, empty_value=None, required=False)
        self.fields["tracking"].required = False  # a sheet that says nothing of it leaves it as it is
        for name, field in self.fields.items():
            field.show_hidden_initial = name != "off"

    def clean_tracking(self) -> str:
        return self.cleaned_data["tracking"] or self.instance.tracking


class NewParRowForm(ConstraintsAtFields):
    """A line that a place does not keep yet."""

    class Meta:
        model = StockingLine
        fields = ("consumable", "par", "floor", "capacity", "bin", "tracking")
        labels = {"tracking": _("Dates kept"), **{name: FIELD_WORDS[name] for name in fields[:-1]}}

    def __init__(self, *args, place: Place, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.instance.place = place
        lines = place.department.consumables.exclude(stocking_lines__place=place).order_by("section", "code")
        self.fields["consumable"].queryset = lines
        self.fields["bin"].queryset = place.bins.all()
        self.fields["tracking"].required = False

    def clean_tracking(self) -> str:
        return self.cleaned_data["tracking"] or self.instance.tracking


class ReasonForm(forms.Form):
    """Why pars change."""

    reason = forms.CharField(
        label=_("Why the pars change"),
        max_length=200,
        required=False,
        help_text=_("Kept with your name and the time."),
        validators=[about_stock_only],
    )
