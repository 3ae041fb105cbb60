"""Errors of the rules, shown where a form has the field they are about."""

from django import forms
from django.core.exceptions import ValidationError


def add_errors(form: forms.Form, error: ValidationError) -> None:
    """Put each message beside its field, or above all when it is about none of the form's."""
    by_field = error.message_dict if hasattr(error, "error_dict") else {"__all__": error.messages}
    for name, found in by_field.items():
        for text in found:
            if name in form.fields:
                form.add_error(name, text)
            else:
                form.add_error(None, text if name == "__all__" else f"{name.replace('_', ' ')}: {text}")
