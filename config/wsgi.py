"""WSGI entry: views are synchronous, so threads of a WSGI server fit them better than an event loop."""

import gc
import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

application = get_wsgi_application()
# Every page's code is read now, and what is there by now is left out of each search for garbage from here on:
# one through all of it would hold whoever is being served up for a tenth of a second.
_pages = get_resolver().url_patterns
gc.collect()
gc.freeze()
