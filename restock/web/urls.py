"""Every address of the site. Who may use each of them stands in `access.RULES`."""

from django.contrib import admin
from django.contrib.auth.views import LoginView, LogoutView
from django.urls import path

from .views import carts, evening, lines, rounds, shortages, turnovers, walking

urlpatterns = [
    path("", evening.tonight, name="tonight"),
    path("plans/new/", evening.plan_evening, name="plan-evening"),
    path("plans/<int:plan_id>/pick-list.xlsx", evening.pick_list, name="pick-list"),
    path("evening/", rounds.tonight_s_round, name="round"),
    path("evening/take/", rounds.take_carts, name="take-carts"),
    path("evening/claims/<int:claim_id>/give-back/", rounds.give_cart_back, name="give-cart-back"),
    path("evening/claims/<int:claim_id>/take-over/", rounds.take_cart_over, name="take-cart-over"),
    path("evening/sheet/", rounds.round_sheet, name="round-sheet"),
    path("evening/pick-list-back/", rounds.pick_list_back, name="pick-list-back"),
    path("evening/walk/", walking.storeroom_walk, name="walk"),
    path("evening/walk/save/", walking.save_stop, name="save-stop"),
    path("evening/carts/<int:place_id>/", walking.fill_cart, name="fill-cart"),
    path("evening/drawers/<int:line_id>/save/", walking.save_drawer, name="save-drawer"),
    path("evening/count/<int:place_id>/<int:consumable_id>/", walking.count_here, name="count-here"),
    path("turnover/", turnovers.rooms_today, name="turnovers"),
    path("turnover/<int:room_id>/", turnovers.turnover_card, name="turnover"),
    path("carts/", carts.carts, name="carts"),
    path("carts/<int:place_id>/", carts.cart, name="cart"),
    path("lines/<int:line_id>/", lines.line, name="line"),
    path("shortages/", shortages.shortages, name="shortages"),
    path("sign-in/", LoginView.as_view(redirect_authenticated_user=True), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("admin/", admin.site.urls),
]
