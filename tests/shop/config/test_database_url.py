"""DATABASE_URL: what names no database we can use is explained, without showing what may be a password."""

import pytest
from django.core.exceptions import ImproperlyConfigured

from shop.config.database_url import database


@pytest.mark.parametrize(
    ("url", "engine", "name"),
    [
        ("sqlite:////srv/books.sqlite3", "django.db.backends.sqlite3", "/srv/books.sqlite3"),
        ("postgres://ann:p%40ss@db:5432/books", "django.db.backends.postgresql", "books"),
        ("postgresql://ann:secret@db/books", "django.db.backends.postgresql", "books"),
    ],
)
def test_sqlite_and_postgresql_are_understood(url: str, engine: str, name: str) -> None:
    found = database(url)
    assert (found["ENGINE"], found["NAME"]) == (engine, name)


@pytest.mark.parametrize(
    "url",
    [
        *(
            "",
            "nonsense",
            "sqlite",
            "postgres//db/books",
            "sqlite://books.sqlite3",
            "://ann:secret@db/books",
            "mysql://ann:secret@db/books",
            "foo://db/books",
        ),
        *("postgres://", "postgres://ann:secret@db:port/books", "postgres://ann:secret@[::1/books"),
    ],
)
def test_anything_else_is_refused_with_an_example(url: str) -> None:
    with pytest.raises(ImproperlyConfigured, match=r"DATABASE_URL .* postgres://USER:PASSWORD") as refused:
        database(url)
    assert "secret" not in str(refused.value)
