"""The set-up pages, declared: which rows of a department a supervisor may see, change and add, and how they read.

One list view and one form view (`views.setup`) serve all of them. The par sheet, a grid, has views of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from django.db.models import F, Min, Model, QuerySet
from django.db.models.functions import Coalesce
from django.utils.translation import gettext_lazy as _

from inventory.models import Bin, BundlePiece, CartKind, Consumable, Department, Packaging, Place, Room, SizeRun
from restock.models import CaseType, Extra, Policy, SetupStandard, SizeClass, Technique

# What fields are called on every page that has no plainer word for them.
FIELD_WORDS = {
    "barcode": _("Barcode"),
    "bin": _("Bin"),
    "capacity": _("Capacity"),
    "case_type": _("Case type"),
    "category": _("Category"),
    "code": _("Code"),
    "consumable": _("Line"),
    "connector": _("Connector"),
    "criticality": _("Criticality"),
    "extra": _("Extra"),
    "floor": _("Floor"),
    "kind": _("Kind"),
    "latex": _("Latex"),
    "name": _("Name"),
    "owner": _("Owner"),
    "par": _("Par"),
    "place": _("Place"),
    "position": _("Position"),
    "price_per_piece": _("Price of a piece"),
    "restocked_from": _("Restocked from"),
    "room": _("Room"),
    "section": _("Section"),
    "sex": _("Sex"),
    "single_use": _("Single use"),
    "size": _("Size"),
    "size_class": _("Size class"),
    "size_position": _("Size position"),
    "size_run": _("Size run"),
    "specialty": _("Specialty"),
    "technique": _("Technique"),
    "walk_order": _("Walk order"),
}


@dataclass(frozen=True)
class SetupPage:
    """Rows of one model.

    fields: of the form, in its order. shows: of the list; the first is the link. fixed: values that every row of the
    page has. within: foreign keys to which the list can be narrowed, by a query such as `?case_type=3`. leads: from a
    row to a narrowed list: (words, slug, foreign key there). choices: which rows a foreign key offers, as lookups.
    words: labels that are plainer than the field's own name. single: one row for each department.
    """

    slug: str
    title: str
    one: str
    lead: str
    model: type[Model]
    fields: tuple[str, ...]
    shows: tuple[str, ...] = ()
    search: tuple[str, ...] = ()
    fixed: Mapping[str, object] = field(default_factory=dict)
    within: tuple[str, ...] = ()
    leads: tuple[tuple[str, str, str], ...] = ()
    choices: Mapping[str, Mapping[str, object]] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    in_department: Callable[[Department], QuerySet] | None = None
    single: bool = False
    caution: str = ""

    def rows(self, department: Department) -> QuerySet:
        """The department's rows, with what the list shows of other tables."""
        if self.in_department is not None:
            rows = self.in_department(department)
        else:
            rows = self.model._default_manager.filter(department=department, **self.fixed)
        return rows.select_related(*(name for name in self.shows if self.model._meta.get_field(name).many_to_one))

    def label(self, name: str) -> str:
        """How a field is called on the page."""
        return self.words.get(name) or FIELD_WORDS.get(name) or self.model._meta.get_field(name).verbose_name


def _standards(department: Department) -> QuerySet:
    """In set-up order; a size run stands in the section of its sizes."""
    section = Coalesce(F("consumable__section"), Min("size_run__sizes__section"))
    rows = SetupStandard.objects.in_department(department).annotate(section=section)
    return rows.order_by("case_type", "extra", "size_class", "section", "consumable__code", "size_run__name")


PLACES, CASES, SETTINGS, LINES = _("Places"), _("Cases"), _("Settings"), _("Lines")

GROUPS: tuple[tuple[str, tuple[SetupPage, ...]], ...] = (
    (
        PLACES,
        (
            SetupPage(
                "rooms", _("Rooms"), _("room"), _("Where cases are done, in the order of the evening round."),
                Room, ("code", "name", "kind", "walk_order"), ("code", "name", "kind", "walk_order"), ("code", "name"),
            ),
            SetupPage(
                "carts", _("Carts"), _("cart"),
                _("Carts parked in a room, and shared ones that rooms fetch from. Their drawers are bins."),
                Place, ("code", "name", "kind", "room", "serves", "restocked_from", "walk_order"),
                ("code", "name", "kind", "room", "restocked_from", "walk_order"), ("code", "name"),
                fixed={"role": Place.Role.CART}, leads=((_("Bins"), "bins", "place"),),
                choices={"restocked_from": {"role": Place.Role.STOREROOM}},
                words={"kind": _("Kind of cart"), "serves": _("Rooms that fetch from it")},
            ),
            SetupPage(
                "storerooms", _("Storerooms"), _("storeroom"),
                _("What fills the carts, in the order in which they are asked. Their shelves are bins."),
                Place, ("code", "name", "walk_order"), ("code", "name", "walk_order"), ("code", "name"),
                fixed={"role": Place.Role.STOREROOM}, leads=((_("Bins"), "bins", "place"),),
            ),
            SetupPage(
                "bins", _("Bins"), _("bin"),
                _("Drawers and shelves, in the order in which a hand or a foot passes them."),
                Bin, ("place", "code", "walk_order"), ("code", "place", "walk_order"), ("code", "place__name"),
                within=("place",), choices={"place": {"role__in": [Place.Role.CART, Place.Role.STOREROOM]}},
                in_department=lambda department: Bin.objects.filter(place__department=department).order_by(
                    "place__walk_order", "place__code", "walk_order", "code"
                ),
            ),
            SetupPage(
                "cart-kinds", _("Kinds of cart"), _("kind of cart"), _("Your own words: room cart, paediatric, ..."),
                CartKind, ("code", "name"), ("code", "name"),
            ),
        ),
    ),
    (
        LINES,
        (
            SetupPage(
                "catalogue", _("Catalogue"), _("line"),
                _("One row for each thing in each size, counted in pieces. Drugs are no lines."),
                Consumable,
                ("code", "name", "section", "category", "unit", "size_run", "size", "size_position", "criticality",
                 "basis", "owner", "latex", "single_use", "connector", "price_per_piece", "shelf_life_months"),
                ("code", "name", "size", "section", "criticality", "basis", "owner"), ("code", "name", "size"),
                leads=((_("Packs and barcodes"), "packs", "consumable"),
                       (_("What is in it"), "bundle-pieces", "bundle")),
                words={"basis": _("Goes by"), "shelf_life_months": _("Shelf life, months"), "unit": _("One piece is")},
                caution=_("Latex is the maker's statement, never ours: read the pack."),
            ),
            SetupPage(
                "packs", _("Packs and barcodes"), _("pack"), _("How many pieces a pack holds, and the barcode on it."),
                Packaging, ("consumable", "pieces_per_pack", "barcode"), ("consumable", "pieces_per_pack", "barcode"),
                ("consumable__code", "consumable__name", "barcode"), within=("consumable",),
                words={"consumable": _("Line"), "pieces_per_pack": _("Pieces in a pack")},
            ),
            SetupPage(
                "bundle-pieces", _("Bundles"), _("line of a bundle"),
                _("What technicians make up in advance, and what goes into it. A bundle is a line of the catalogue "
                  "itself, with a par of its own."),
                BundlePiece, ("bundle", "piece", "pieces_per_bundle"), ("piece", "pieces_per_bundle", "bundle"),
                ("bundle__code", "bundle__name", "piece__code", "piece__name"), within=("bundle",),
                in_department=lambda department: BundlePiece.objects.filter(bundle__department=department),
                words={"bundle": _("Bundle"), "piece": _("Line in it"), "pieces_per_bundle": _("Pieces in a bundle")},
                caution=_("Bundles that are made up keep what was put into them: a change here is for the next ones."),
            ),
            SetupPage(
                "size-runs", _("Size runs"), _("size run"),
                _("Families of sizes, such as cuffed tracheal tubes from 3.0 to 8.5. A gap in a run shows."),
                SizeRun, ("code", "name"), ("code", "name"), ("code", "name"),
            ),
        ),
    ),
    (
        CASES,
        (
            SetupPage(
                "case-types", _("Case types"), _("case type"), _("What is booked, by the codes that case lists use."),
                CaseType, ("code", "name", "specialty", "technique", "typical_minutes"),
                ("code", "name", "specialty", "technique", "typical_minutes"), ("code", "name", "specialty"),
                leads=((_("Set-up standard"), "setups", "case_type"),), words={"typical_minutes": _("Usual minutes")},
            ),
            SetupPage(
                "setups", _("Set-up standards"), _("row of a set-up standard"),
                _("What is laid out for a case type or a booked extra, how often it is opened, and how many pieces "
                  "then. A row for a size class alone says which size of a run such cases use."),
                SetupStandard,
                ("case_type", "extra", "size_class", "consumable", "size_run", "probability", "quantity", "basis"),
                ("consumable", "size_run", "probability", "quantity", "basis", "case_type", "extra", "size_class"),
                ("consumable__code", "consumable__name", "size_run__name", "case_type__name"),
                within=("case_type", "extra", "size_class"), in_department=_standards,
                words={"consumable": _("Line"), "probability": _("How often opened"), "basis": _("Goes by"),
                       "quantity": _("Pieces when opened")},
            ),
            SetupPage(
                "techniques", _("Techniques"), _("technique"), _("How cases are done: GA, tracheal tube; spinal; ..."),
                Technique, ("code", "name"), ("code", "name"), ("code", "name"),
            ),
            SetupPage(
                "extras", _("Extras"), _("extra"), _("What may be booked beside the case type."),
                Extra, ("code", "name"), ("code", "name"), leads=((_("Set-up standard"), "setups", "extra"),),
            ),
            SetupPage(
                "size-classes", _("Size classes"), _("size class"),
                _("Classes of body size for choosing sizes, and for nothing else. Ages are in days: the lower bound "
                  "belongs to the class, the upper does not; an empty one is open."),
                SizeClass, ("code", "name", "age_days_from", "age_days_below", "sex", "is_default", "position"),
                ("code", "name", "age_days_from", "age_days_below", "sex", "is_default", "position"),
                leads=((_("Sizing rules"), "setups", "size_class"),),
                words={"age_days_from": _("From, days"), "age_days_below": _("Below, days"),
                       "is_default": _("Taken where a list says nothing")},
            ),
        ),
    ),
    (
        SETTINGS,
        (
            SetupPage(
                "policy", _("Policy"), _("policy"),
                _("What the department decides for itself. Every default is a starting point, not a recommendation."),
                Policy,
                ("target", "service_never_out", "service_routine", "weight_never_out", "half_life_days",
                 "expiry_warning_days", "short_dated_days", "short_dated_share", "cuffed_tube",
                 "neighbour_steps", "handling_per_piece", "handling_per_walk", "wasted_piece", "idle_piece",
                 "count_minutes", "recount_pieces", "recount_share"),
                single=True,
                words={"target": _("Fill to"), "service_never_out": _("Service level, never-out lines"),
                       "service_routine": _("Service level, routine lines"),
                       "weight_never_out": _("Weight of a never-out piece"), "half_life_days": _("Half-life, days"),
                       "expiry_warning_days": _("Warn of a date so many days ahead"),
                       "short_dated_days": _("Short-dated on arrival, days left"),
                       "short_dated_share": _("Short-dated on arrival, share of shelf life"),
                       "cuffed_tube": _("Formula of the cuffed tube"), "neighbour_steps": _("Neighbouring sizes"),
                       "handling_per_piece": _("Moving a piece"), "handling_per_walk": _("Walking to another place"),
                       "wasted_piece": _("A piece out of date"), "idle_piece": _("A piece lying for nothing"),
                       "count_minutes": _("Minutes a day for counting"),
                       "recount_pieces": _("Count twice from a difference of, pieces"),
                       "recount_share": _("and from a difference of, share")},
                caution=_("The tube formulas often miss, and sources disagree about the cuffed one. It suggests which "
                          "sizes to stock; neighbours are always shown, and who intubates chooses the tube."),
            ),
        ),
    ),
)  # fmt: skip
PAGES: dict[str, SetupPage] = {page.slug: page for _words, pages in GROUPS for page in pages}
