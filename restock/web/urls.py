"""Every address of the site. Who may use each of them stands in `access.RULES`."""

from django.contrib import admin
from django.contrib.auth.views import LoginView, LogoutView
from django.urls import path

from .views import carts, case_log, device, evening, fetching, lines, moves, rounds, shortages, turnovers, walking

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
    path("evening/moves/", moves.moves, name="moves"),
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
    path("log/", case_log.log, name="log"),
    path("log/rooms/", case_log.choose_room, name="log-rooms"),
    path("log/rooms/<int:room_id>/", case_log.log_room, name="log-room"),
    path("log/rooms/<int:room_id>/add/", case_log.add_case_page, name="log-add-case"),
    path("log/rooms/<int:room_id>/need/", fetching.need, name="log-need"),
    path("log/rooms/<int:room_id>/need/<int:consumable_id>/", fetching.need_line, name="log-need-line"),
    path("log/rooms/<int:room_id>/took/", fetching.borrow_line, name="log-borrow"),
    path("log/cases/<int:case_id>/", case_log.log_case_page, name="log-case"),
    path("log/entries/<int:log_id>/undo/", case_log.undo, name="log-undo"),
    path("log/lines.json", device.lines, name="log-lines"),
    path("log/token/", device.token, name="log-token"),
    path("service-worker.js", device.service_worker, name="service-worker"),
    path("evenfill.webmanifest", device.manifest, name="manifest"),
    path("home/", device.home, name="home"),
    path("sign-in/", LoginView.as_view(redirect_authenticated_user=True), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("admin/", admin.site.urls),
]
