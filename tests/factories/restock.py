"""Factories of what decisions rest on: cases as slots, set-up standards, the policy."""

from datetime import date

import factory

from restock.models import Case, CaseType, Extra, Policy, SetupStandard, SizeClass, Technique

from .inventory import ConsumableFactory, DepartmentFactory, RoomFactory


class SizeClassFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = SizeClass
        django_get_or_create = ("department", "code")

    department = factory.SubFactory(DepartmentFactory)
    code = "adult"
    name = factory.LazyAttribute(lambda size_class: size_class.code.replace("-", " "))


class TechniqueFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Technique
        django_get_or_create = ("department", "code")

    department = factory.SubFactory(DepartmentFactory)
    code = "general-tube"
    name = factory.LazyAttribute(lambda technique: technique.code.replace("-", " "))


class CaseTypeFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = CaseType

    department = factory.SubFactory(DepartmentFactory)
    code = factory.Sequence("TYPE-{}".format)
    name = factory.LazyAttribute(lambda case_type: f"Case type {case_type.code}")
    specialty = "general surgery"
    technique = factory.SubFactory(TechniqueFactory, department=factory.SelfAttribute("..department"))
    typical_minutes = 60


class ExtraFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Extra
        django_get_or_create = ("department", "code")

    department = factory.SubFactory(DepartmentFactory)
    code = "arterial-line"
    name = factory.LazyAttribute(lambda extra: extra.code.replace("-", " "))


class SetupStandardFactory(factory.django.DjangoModelFactory):
    """One piece of a new line for a new case type. For a size run: `consumable=None, size_run=run`."""

    class Meta:
        model = SetupStandard

    case_type = factory.SubFactory(CaseTypeFactory)
    consumable = factory.SubFactory(ConsumableFactory)


class CaseFactory(factory.django.DjangoModelFactory):
    """A slot with the technique of its case type. `extras=[extra]` books extras."""

    class Meta:
        model = Case
        skip_postgeneration_save = True

    department = factory.SubFactory(DepartmentFactory)
    date = date(2026, 3, 5)
    room = factory.SubFactory(RoomFactory, department=factory.SelfAttribute("..department"))
    order = factory.Sequence(lambda n: n % 1000 + 1)
    case_type = factory.SubFactory(CaseTypeFactory, department=factory.SelfAttribute("..department"))
    technique = factory.SelfAttribute("case_type.technique")
    size_class = factory.SubFactory(SizeClassFactory, department=factory.SelfAttribute("..department"))

    @factory.post_generation
    def extras(self, create, extras, **kwargs):
        if extras:
            self.extras.set(extras)


class PolicyFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Policy
        django_get_or_create = ("department",)

    department = factory.SubFactory(DepartmentFactory)
