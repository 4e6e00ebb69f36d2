from django.apps import AppConfig


class WebConfig(AppConfig):
    """The pages. No models: everything they show is decided below."""

    name = "restock.web"
    label = "restock_web"
