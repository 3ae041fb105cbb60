"""Settings of a deployment, all from environment variables; the defaults need one machine and no broker."""

import secrets
import warnings
from datetime import timedelta
from pathlib import Path

import environ

from shop.config.broker_url import broker
from shop.config.database_url import database
from shop.config.hsts import hsts
from shop.config.mail_url import mail

BASE_DIR = Path(__file__).resolve().parent.parent.parent

env = environ.Env()
environ.Env.read_env(BASE_DIR / ".env")


def _kept_secret_key() -> str:
    """Return this machine's own key, made at the first start so that no key is ever shipped."""
    path = BASE_DIR / ".secret-key"
    if not path.exists():
        path.touch(mode=0o600)
        path.write_text(secrets.token_urlsafe(64), encoding="utf-8")
    return path.read_text(encoding="utf-8")


DEBUG = env.bool("DEBUG", default=False)
SECRET_KEY = env.str("SECRET_KEY", default="") or _kept_secret_key()
ALLOWED_HOSTS = env.list("ALLOWED_HOSTS", default=["localhost", "127.0.0.1", "[::1]"])
CSRF_TRUSTED_ORIGINS = env.list("CSRF_TRUSTED_ORIGINS", default=[])

INSTALLED_APPS = [
    "shop.config.admin_app.OwnersAdminConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "axes",
    "django_filters",
    "knox",
    "rest_framework",
    "drf_spectacular",
    "inventory",
    "shop",
    "forecasting",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "shop.web.security_headers.strict_headers",
    # A phone on a weak signal gets a third of the bytes; Django masks its tokens against BREACH.
    "django.middleware.gzip.GZipMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "shop.web.null_byte_middleware.refuse_null_characters",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "shop.people.sessions.note_device",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "shop.web.time_zone_middleware.shop_time_zone",
    # Last, as it turns the answer to a sign-in into the page that says when to try again.
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "shop.config.urls"
WSGI_APPLICATION = "shop.config.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "shop.web.navigation.links",
            ]
        },
    }
]

DATABASES = {
    "default": database(env.str("DATABASE_URL", default=f"sqlite:///{BASE_DIR / 'slurrybook.sqlite3'}"))
}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # Write-ahead logging lets readers go on while one writer works; an immediate transaction takes the
    # write lock at its start, so two closes wait for each other instead of failing half-way. With FULL, what
    # was answered is on the disk: a phone forgets a close once it is answered, so no power cut may lose it.
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 120,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA cache_size=-16384;",
    }
else:
    DATABASES["default"].setdefault("CONN_MAX_AGE", 60)
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "shop.Person"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"django.contrib.auth.password_validation.{name}"}
    for name in (
        "UserAttributeSimilarityValidator",
        "MinimumLengthValidator",
        "CommonPasswordValidator",
        "NumericPasswordValidator",
    )
]
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign-in"
CSRF_FAILURE_VIEW = "shop.common.error_pages.stale_form"
# Links to join and to choose a new password.
PASSWORD_RESET_TIMEOUT = 3 * 24 * 3600
# A technician signs in about twice a month, with signal; a person who leaves is signed out at once all the
# same.
SESSION_COOKIE_AGE = 14 * 24 * 3600

# Five wrong passwords for a name from one client make both wait for a quarter of an hour; the handler also
# counts those for a name from all clients, and of a client for all names.
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_FAILURE_LIMIT = 5
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_RESET_ON_SUCCESS = True
# Further attempts do not prolong the lock-out, so the page can say when it ends.
AXES_RESET_COOL_OFF_ON_FAILURE_DURING_LOCKOUT = False
AXES_ENABLE_ACCESS_FAILURE_LOG = True
AXES_ENABLE_ADMIN = False
AXES_VERBOSE = False
AXES_LOCKOUT_CALLABLE = "shop.people.login_throttle.try_later"
AXES_CLIENT_IP_CALLABLE = "shop.people.login_throttle.client_of"
AXES_HANDLER = "shop.people.login_throttle.SignInLimit"
# How many proxies of ours stand before this server; each adds the address it was asked from.
PROXIES = env.int("PROXIES", default=0)

KNOX_TOKEN_MODEL = "shop.ApiToken"  # noqa: S105 - the name of a table
# Its own table would stay empty beside ours.
MIGRATION_MODULES = {"knox": None}
REST_KNOX = {"AUTH_HEADER_PREFIX": "Bearer"}

LANGUAGE_CODE = "en"
USE_I18N = True
# Stored and computed in UTC; pages and files show the shop's own zone (shop.models.Shop.time_zone).
TIME_ZONE = "UTC"
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = BASE_DIR / "staticfiles"
WHITENOISE_USE_FINDERS = True
# Files are found in their apps as long as nobody has collected them.
warnings.filterwarnings("ignore", message="No directory at")

# Photos of jobs. No web server may serve this folder: shop.phone.photo_views checks who asks.
MEDIA_ROOT = env.str("MEDIA_ROOT", default=str(BASE_DIR / "media"))

vars().update(mail(env.str("EMAIL_URL", default="consolemail://")))
DEFAULT_FROM_EMAIL = env.str("DEFAULT_FROM_EMAIL", default="slurrybook@localhost")
# Of each step of a conversation with the mail server.
EMAIL_TIMEOUT = 20

# How often to look for work that is due, here and in forecasting.scheduler; a look that comes late is of no
# use.
LOOK_SECONDS = 60
LOOK_EXPIRES_SECONDS = 55
# With a broker, workers do the periodic work; without one, `serve` or `run_due` do. The database alone says
# what is done, so a lost broker loses nothing.
REDIS_URL = broker(env.str("REDIS_URL", default=""))
CELERY_BROKER_URL = REDIS_URL or "memory://"
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_CONNECTION_MAX_RETRIES = None
CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": 3600}
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_TASK_TIME_LIMIT = 3600
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_BEAT_SCHEDULE = {
    "look": {
        "task": "slurrybook.look",
        "schedule": LOOK_SECONDS,
        "options": {"expires": LOOK_EXPIRES_SECONDS},
    }
}

REST_FRAMEWORK = {
    # Tokens first: their challenge makes a missing sign-in a 401.
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "shop.api.authentication.BearerTokens",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_SCHEMA_CLASS": "shop.api.schema.ApiSchema",
    "DEFAULT_PARSER_CLASSES": ["shop.api.parsing.ExactJSONParser"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "EXCEPTION_HANDLER": "shop.api.problems.problem_handler",
    "LIST_SERIALIZER_ERRORS_AS_DICT": True,
    "DEFAULT_THROTTLE_CLASSES": ["shop.api.throttling.PerPerson"],
    "DEFAULT_THROTTLE_RATES": {"person": env.str("API_RATE", default="1200/min")},
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Slurrybook",
    "DESCRIPTION": "Job closes and stock documents; an id chosen by the sender makes each count once.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "ENUM_NAME_OVERRIDES": {
        "JobStatusEnum": "shop.models.JobStatus",
        "BookingStatusEnum": [("booked", "Booked"), ("cancelled", "Cancelled")],
    },
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
}

# HTTPS is the rule when a deployment says so; a phone on a workshop's own network may have none.
if env.bool("HTTPS", default=False):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_SSL_REDIRECT = True
    SESSION_COOKIE_SECURE = True
    CSRF_COOKIE_SECURE = True
    vars().update(hsts(env.list("HSTS", default=[])))

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "handlers": {"console": {"class": "logging.StreamHandler"}},
    "root": {"handlers": ["console"], "level": env.str("LOG_LEVEL", default="WARNING")},
}
