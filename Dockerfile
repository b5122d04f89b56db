# One image for web, worker and beat; the compose file says which of them a container is.
FROM python:3.11-slim AS packages
COPY requirements/run.lock /opt/run.lock
RUN python -m venv /opt/almanac \
    && /opt/almanac/bin/pip install --no-cache-dir --require-hashes -r /opt/run.lock

FROM python:3.11-slim
ENV PATH=/opt/almanac/bin:$PATH PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 VAR_DIR=/var/lib/almanac
RUN useradd --system --home-dir /var/lib/almanac --create-home --shell /usr/sbin/nologin almanac \
    && install -d -o almanac /var/lib/almanac/uploads
COPY --from=packages /opt/almanac /opt/almanac
WORKDIR /srv/almanac
COPY manage.py ./
COPY config config
COPY fleet fleet
COPY scheduling scheduling
COPY reports reports
COPY templates templates
# The key is for this step alone: collecting files signs nothing.
RUN PRODUCTION=1 SECRET_KEY=only-while-files-are-collected python manage.py collectstatic --noinput -v 0
USER almanac
EXPOSE 8000
# Whoever reaches the port is the proxy in front; it says whether the visitor came over TLS.
CMD ["waitress-serve", "--listen=0.0.0.0:8000", "--trusted-proxy=*", "--trusted-proxy-headers=x-forwarded-proto", \
     "config.wsgi:application"]
