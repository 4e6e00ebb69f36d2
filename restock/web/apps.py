from django.apps import AppConfig


class WebConfig(AppConfig):
    """The pages. No models: everything they show is decided below."""

    name = "restock.web"
    label = "restock_web"

    def ready(self) -> None:
        from .form_words import say_how_to_mend

        say_how_to_mend()
