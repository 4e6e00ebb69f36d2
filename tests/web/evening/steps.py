"""What a technician does on the pages of the evening."""

from django.urls import reverse

KEY = "3b6f0d0e-0000-4000-8000-000000000001"
PAGES = ["round", "walk", "fill-cart", "round-sheet"]


def address(page, cart):
    return reverse(page, args=[cart.pk] if page == "fill-cart" else [])


def save(client, *picks, act="all", seen="", htmx=False, **fields):
    form = {"pick": [pick.pk for pick in picks], "act": act} | fields
    for pick in picks:
        form |= {f"seen-{pick.pk}": seen, f"all-{pick.pk}": pick.quantity}
    return client.post(reverse("save-stop"), form, headers={"HX-Request": "true"} if htmx else {})


def put_in(client, line, pieces, seen="", **fields):
    return client.post(reverse("save-drawer", args=[line.pk]), {"pieces": pieces, "seen": seen} | fields)


def count(client, place, consumable, counted, key, row="0"):
    where = reverse("count-here", args=[place.pk, consumable.pk])
    return client.post(where, {"counted": counted, "key": key, "row": row})
