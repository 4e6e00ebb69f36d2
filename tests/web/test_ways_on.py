"""No dead ends: an address that only takes a form, and words above a list that may not stand in an address."""

import pytest
from django.urls import reverse

from .routes import address_of, every_route
from .test_pages import words

PATIENT_NUMBER = "10293847"  # invented


def only_takes_forms(client, address):
    return client.get(address, headers={"accept": "application/json"}).status_code == 405


def test_every_address_of_a_form_opened_by_hand_leads_to_a_page(client, evening, supervisor):
    line = evening(1)
    client.force_login(supervisor)
    led = 0
    for name, _, arguments in every_route():
        if name.startswith("admin:") or not only_takes_forms(client, address := address_of(name, arguments, line)):
            continue
        answer = client.get(address, follow=True)
        assert answer.redirect_chain, name
        assert answer.status_code in (200, 404), name  # 404 where the object of the sample is not there
        led += 1

    assert led > 50


def test_address_of_an_answer_leads_to_the_page_that_asks(client, evening, supervisor):
    line = evening(1)
    client.force_login(supervisor)

    assert client.get(reverse("act-on-shortage", args=[line.pk])).url == reverse("shortage", args=[line.pk])
    assert client.get(reverse("give-cart-back", args=[1])).url == reverse("round")


def test_form_sent_to_a_page_that_takes_none_is_still_refused(client, evening, supervisor):
    evening(1)
    client.force_login(supervisor)

    assert client.post(reverse("carts")).status_code == 405


class TestWordsAboveAList:
    def test_words_go_into_the_address_of_the_list(self, signed_in, evening):
        evening(1)

        answer = signed_in.post(reverse("narrow"), {"page": "/", "words": "bougie 14", "section": "4"})

        assert answer.url == "/?words=bougie+14&section=4"

    @pytest.mark.parametrize("box", ["words", "q"])
    def test_number_that_may_be_somebody_s_does_not(self, signed_in, evening, box):
        evening(1)

        answer = signed_in.post(reverse("narrow"), {"page": "/", box: PATIENT_NUMBER, "short": "on"}, follow=True)

        assert answer.redirect_chain == [("/?short=on", 302)]
        assert PATIENT_NUMBER not in answer.text
        assert "may be about a person" in words(answer)

    def test_number_that_stands_in_an_address_is_taken_out_of_it(self, signed_in, evening):
        evening(1)

        answer = signed_in.get("/", {"words": PATIENT_NUMBER, "sort": "par"})

        assert answer.url == "/?sort=par"

    def test_another_site_is_no_list(self, signed_in, evening):
        evening(1)

        assert signed_in.post(reverse("narrow"), {"page": "//example.org/", "words": "tube"}).url == "/home/?words=tube"

    def test_every_box_above_a_list_posts(self, client, evening, supervisor):
        """A browser writes what is typed into a form that gets into the address, before anything of ours can look."""
        line = evening(1)
        client.force_login(supervisor)
        for name, _, arguments in every_route():
            if name.startswith("admin:"):
                continue
            answer = client.get(address_of(name, arguments, line))
            if answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
                continue
            for form in answer.text.split("<form")[1:]:
                head, inside = form.split(">", 1)
                typed = 'type="search"' in inside.split("</form")[0] or 'type="text"' in inside.split("</form")[0]
                assert not (typed and 'method="get"' in head), name


class TestNul:
    """PostgreSQL fails on a text that holds one, SQLite does not: none comes as far as the database."""

    def test_in_an_address_is_left_out_of_it(self, signed_in, evening):
        evening(1)

        assert signed_in.get("/", {"words": "a\0b", "sort": "par"}).url == "/?sort=par"

    def test_in_a_form_is_refused_in_words(self, signed_in, department):
        answer = signed_in.post(reverse("search"), {"q": "a\0b"}, follow=True)

        assert "A character in it cannot be kept" in words(answer)
