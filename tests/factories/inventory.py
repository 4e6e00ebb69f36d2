"""Factories of facts."""

from datetime import date

import factory
from django.contrib.auth import get_user_model
from django.contrib.auth.models import Group

from inventory.departments import open_department
from inventory.models import (
    Bin,
    CartKind,
    Consumable,
    Department,
    Lot,
    Packaging,
    Place,
    Room,
    Section,
    SizeRun,
    StockingLine,
)
from restock.models import Membership


class UserFactory(factory.django.DjangoModelFactory):
    """One of the department's people; `UserFactory(groups=["technician"])` gives a role.

    `membership__department=other` puts them into another department, `membership=None` into none.
    """

    class Meta:
        model = get_user_model()
        skip_postgeneration_save = True

    username = factory.Sequence("user{}".format)
    password = factory.django.Password("correct horse")
    membership = factory.RelatedFactory("tests.factories.inventory.MembershipFactory", factory_related_name="user")

    @factory.post_generation
    def groups(self, create, names, **kwargs):
        for name in names or ():
            self.groups.add(Group.objects.get_or_create(name=name)[0])


class MembershipFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Membership

    department = factory.SubFactory("tests.factories.inventory.DepartmentFactory")


class DepartmentFactory(factory.django.DjangoModelFactory):
    """The department `main`, the same one for every factory, with its virtual places."""

    class Meta:
        model = Department

    code = "main"
    name = "Anaesthesia"
    time_zone = "UTC"

    @classmethod
    def _create(cls, model_class, *args, **kwargs):
        return open_department(**kwargs)


class RoomFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Room

    department = factory.SubFactory(DepartmentFactory)
    code = factory.Sequence(lambda n: f"OR-{n + 100}")  # never that of a room which a test names itself
    name = factory.LazyAttribute(lambda room: f"Operating room {room.code}")
    walk_order = factory.Sequence(int)


class CartKindFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = CartKind
        django_get_or_create = ("department", "code")

    department = factory.SubFactory(DepartmentFactory)
    code = "room-cart"
    name = "room cart"


class StoreroomFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Place

    department = factory.SubFactory(DepartmentFactory)
    code = factory.Sequence("store-{}".format)
    name = factory.LazyAttribute(lambda place: f"Storeroom {place.code}")
    role = Place.Role.STOREROOM
    walk_order = factory.Sequence(int)


class CartFactory(factory.django.DjangoModelFactory):
    """A cart parked in a room of its own. `CartFactory(room=None, serves=[room])` makes a shared one."""

    class Meta:
        model = Place
        skip_postgeneration_save = True

    department = factory.SubFactory(DepartmentFactory)
    code = factory.Sequence("cart-{}".format)
    name = factory.LazyAttribute(lambda place: f"Cart {place.code}")
    role = Place.Role.CART
    kind = factory.SubFactory(CartKindFactory, department=factory.SelfAttribute("..department"))
    room = factory.SubFactory(RoomFactory, department=factory.SelfAttribute("..department"))
    walk_order = factory.Sequence(int)

    @factory.post_generation
    def serves(self, create, rooms, **kwargs):
        if rooms:
            self.serves.set(rooms)


class BinFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Bin

    place = factory.SubFactory(CartFactory)
    code = factory.Sequence("D{}".format)
    walk_order = factory.Sequence(int)


class SizeRunFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = SizeRun

    department = factory.SubFactory(DepartmentFactory)
    code = factory.Sequence("run-{}".format)
    name = factory.LazyAttribute(lambda run: f"Size run {run.code}")


class ConsumableFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Consumable

    department = factory.SubFactory(DepartmentFactory)
    code = factory.Sequence("ITEM-{:04d}".format)
    name = factory.LazyAttribute(lambda line: f"Line {line.code}")
    section = Section.AIRWAY


class PackagingFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Packaging

    department = factory.SelfAttribute("consumable.department")
    consumable = factory.SubFactory(ConsumableFactory)
    pieces_per_pack = 10


class LotFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Lot

    consumable = factory.SubFactory(ConsumableFactory)
    number = factory.Sequence("LOT{:05d}".format)
    expires_on = date(2028, 6, 30)


class StockingLineFactory(factory.django.DjangoModelFactory):
    """A line of a par sheet. Without `place` it is kept on a new cart, in the bin you give or in none."""

    class Meta:
        model = StockingLine

    place = factory.SubFactory(CartFactory)
    consumable = factory.SubFactory(ConsumableFactory)
    par = 5
