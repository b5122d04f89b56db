"""Settings of the almanac, read from the environment by typed readers that fail loudly."""

from pathlib import Path

from config import doors, env, queue

BASE_DIR = Path(__file__).resolve().parent.parent
VAR_DIR = Path(env.text("VAR_DIR", str(BASE_DIR / "var")))
PRODUCTION = env.flag("PRODUCTION")
UPLOADS_DIR = Path(env.text("UPLOADS_DIR", str(VAR_DIR / "uploads")))
# Where a backup is written every day, nowhere if empty; the newest so many are kept.
BACKUP_DIR = env.text("BACKUP_DIR", "")
BACKUPS_KEPT = max(env.number("BACKUPS_KEPT", 14), 1)
DEBUG = env.flag("DEBUG") and not PRODUCTION
SECRET_KEY = env.secret_key("SECRET_KEY", VAR_DIR, production=PRODUCTION)
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS", "localhost,127.0.0.1,[::1]")
CSRF_TRUSTED_ORIGINS = env.words("CSRF_TRUSTED_ORIGINS", "")
# How many reverse proxies of one's own stand before this and note in X-Forwarded-For whom they speak for.
PROXIES = env.number("PROXIES", 0)
SITE_ADDRESS = env.text("SITE_ADDRESS", "http://127.0.0.1:8000")

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "axes",
    "csp",
    "django_filters",
    "django_htmx",
    "django_otp",
    "django_otp.plugins.otp_totp",
    "django_otp.plugins.otp_static",
    "fleet",
    "scheduling",
    "reports",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "fleet.middleware.HeadersMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "fleet.doors.session_store.SeenMiddleware",
    "fleet.middleware.ActingMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "csp.middleware.CSPMiddleware",
    "fleet.middleware.AddressMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "fleet.middleware.SiteMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.template.context_processors.i18n",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "reports.context.site_frame",
            ],
            "builtins": ["reports.templatetags.almanac"],
        },
    },
]

DATABASES = {"default": env.database("DATABASE_URL", f"sqlite:///{VAR_DIR}/almanac.db", BASE_DIR)}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

locals().update(doors.settings(production=PRODUCTION))

LANGUAGE_CODE = "en"
LANGUAGES = (("en", "English"), ("de", "Deutsch"))
TIME_ZONE = "UTC"
USE_I18N = True
USE_TZ = True

STATIC_URL = "static/"
# Outside production files are served from where they are, and nothing is collected.
STATIC_ROOT = VAR_DIR / "static" if PRODUCTION else None
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.FileSystemFinder",
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "reports.plotly_assets.PlotlyFinder",
]
WHITENOISE_USE_FINDERS = not PRODUCTION
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"
        if PRODUCTION
        else "django.contrib.staticfiles.storage.StaticFilesStorage"
    },
}

locals().update(env.email("EMAIL_URL", f"folder:{VAR_DIR}/letters", BASE_DIR))
DEFAULT_FROM_EMAIL = env.text("FROM_EMAIL", "almanac@localhost")
LETTER_LEASE_SECONDS = env.number("LETTER_LEASE_SECONDS", 120)
# From DATA on a sender waits for the server three times at most, all within the second half of its lease.
EMAIL_TIMEOUT = LETTER_LEASE_SECONDS / 6

# A calendar server in the same house; whoever may name an address can then reach others in that house.
CALENDARS_FROM_PRIVATE_NETWORKS = env.flag("CALENDARS_FROM_PRIVATE_NETWORKS")
BROKER_URL = env.text("BROKER_URL", "memory://")
TICK_SECONDS = env.number("TICK_SECONDS", 300)
locals().update(queue.settings(BROKER_URL, TICK_SECONDS))

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"plain": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "plain"}},
    "root": {"handlers": ["console"], "level": env.text("LOG_LEVEL", "INFO")},
    "loggers": {
        "axes": {"level": "WARNING"},
        # Two lines for every task would drown what is worth reading.
        "celery.app.trace": {"level": "WARNING"},
        "celery.worker.strategy": {"level": "WARNING"},
    },
}
