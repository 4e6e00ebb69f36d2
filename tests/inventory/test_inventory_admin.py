import pytest
from django.contrib.admin import site
from django.urls import reverse

from inventory.models import Count, Department, Holding, Lot, Movement, Place
from tests.factories import LotFactory, UserFactory


@pytest.fixture
def administrator(client, db):
    """A browser in which someone with every permission is signed in."""
    client.force_login(UserFactory(is_staff=True, is_superuser=True, membership=None))
    return client


@pytest.mark.parametrize(
    "model", [m for m in site._registry if m._meta.app_label == "inventory"], ids=lambda model: model.__name__
)
def test_every_list_and_search_opens(administrator, stocked_cart, model):
    response = administrator.get(reverse(f"admin:inventory_{model._meta.model_name}_changelist"), {"q": "a"})

    assert response.status_code == 200


@pytest.mark.parametrize("model", [Movement, Holding, Count, Lot])
def test_what_is_on_record_can_be_read_and_not_written(administrator, stocked_cart, tube, model):
    LotFactory(consumable=tube)
    row, name = model.objects.first(), f"admin:inventory_{model._meta.model_name}"
    change = reverse(f"{name}_change", args=[row.pk])

    assert administrator.get(change).status_code == 200
    assert administrator.post(change, {"quantity": 99}).status_code == 403
    assert administrator.get(reverse(f"{name}_add")).status_code == 403
    assert administrator.post(reverse(f"{name}_delete", args=[row.pk])).status_code == 403


def test_department_that_is_added_gets_its_virtual_places(administrator):
    administrator.post(
        reverse("admin:inventory_department_add"), {"code": "north", "name": "North", "time_zone": "Europe/London"}
    )

    places = Place.objects.filter(department=Department.objects.get(code="north"))
    assert {place.role for place in places} == set(Place.VIRTUAL)
