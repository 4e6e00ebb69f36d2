"""The bundles sheet: which pieces, and how many of each, are made up into which bundle."""

from collections.abc import Sequence

from django.utils.translation import gettext, gettext_noop
from django.utils.translation import gettext_lazy as _

from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome, assign
from inventory.importing.lookups import Lookup
from inventory.importing.problems import quoted
from inventory.importing.sheets import Row
from inventory.importing.values import Code, Whole
from inventory.models import BundlePiece

COLUMNS = (
    Column("bundle", _("Code of the bundle, which is a line of the catalogue itself"), Code(40), required=True,
           example="BU01"),
    Column("piece", _("Code of a line that goes into it: one row for each"), Code(40), required=True, example="VP01"),
    Column("pieces_per_bundle", _("Pieces of it in one bundle. Left out: 1"), Whole(1), example="2"),
)  # fmt: skip


def load(rows: Sequence[Row], loading: Loading) -> Outcome:
    """Set the content list of every bundle that the sheet names, and leave the others as they are.

    A sheet holds the whole list of what it names: pieces that are recorded and no longer in it are taken out. What was
    made up before keeps what was put into it. Raises SheetRefused with every problem, before anything is written.
    """
    wanted = _check(rows, loading)
    loading.refuse_if_faulty()

    named = {bundle for bundle, _piece in wanted}
    existing = {(row.bundle_id, row.piece_id): row for row in BundlePiece.objects.filter(bundle__in=named)}
    new, changed = [], []
    for (bundle, piece), pieces in wanted.items():
        row = existing.get((bundle, piece))
        if row is None:
            new.append(BundlePiece(bundle_id=bundle, piece_id=piece, pieces_per_bundle=pieces))
        elif assign(row, {"pieces_per_bundle": pieces}):
            changed.append(row)
    gone = [row.pk for key, row in existing.items() if key not in wanted]
    BundlePiece.objects.filter(pk__in=gone).delete()
    BundlePiece.objects.bulk_create(new)
    if changed:
        BundlePiece.objects.bulk_update(changed, ["pieces_per_bundle"])
    outcome = Outcome(rows=len(rows))
    outcome.counts[gettext_noop("lines of bundles added")] += len(new)
    outcome.counts[gettext_noop("lines of bundles updated")] += len(changed)
    outcome.counts[gettext_noop("lines of bundles removed")] += len(gone)
    return outcome


def _check(rows: Sequence[Row], loading: Loading) -> dict[tuple[int, int], int]:
    """Pieces by the primary keys of bundle and piece; problems go to the table."""
    lines = Lookup(gettext("a code of the catalogue"), loading.department.consumables.all())
    wanted: dict[tuple[int, int], int] = {}
    first: dict[tuple[int, int], int] = {}
    for row in rows:
        found = {column: lines.find(row[column]) for column in ("bundle", "piece")}
        for column, line in found.items():
            if line is None:
                loading.problem(row.number, column, quoted(row[column]), lines.expected(row[column]))
        if None in found.values():
            continue
        bundle, piece = found["bundle"].pk, found["piece"].pk
        if bundle == piece:
            loading.problem(row.number, "piece", quoted(row["piece"]), gettext("another line than the bundle itself"))
        if (earlier := first.setdefault((bundle, piece), row.number)) != row.number:
            again = gettext("the same as in row %(number)s") % {"number": earlier}
            loading.problem(row.number, "piece", again, gettext("every line of a bundle once"))
        wanted[bundle, piece] = row["pieces_per_bundle"] or 1
    return wanted
