"""WSGI entry: views are synchronous, so threads of a WSGI server fit them better than an event loop."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

application = get_wsgi_application()
