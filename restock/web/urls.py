"""Every address of the site. Who may use each of them stands in `access.RULES`."""

from django.contrib import admin
from django.contrib.auth.views import LoginView, LogoutView
from django.urls import path

from .views import carts, evening, lines, shortages

urlpatterns = [
    path("", evening.tonight, name="tonight"),
    path("plans/new/", evening.plan_evening, name="plan-evening"),
    path("plans/<int:plan_id>/pick-list.xlsx", evening.pick_list, name="pick-list"),
    path("carts/", carts.carts, name="carts"),
    path("carts/<int:place_id>/", carts.cart, name="cart"),
    path("lines/<int:line_id>/", lines.line, name="line"),
    path("shortages/", shortages.shortages, name="shortages"),
    path("sign-in/", LoginView.as_view(redirect_authenticated_user=True), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("admin/", admin.site.urls),
]
