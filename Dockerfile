# One image for service, worker and migration; docker-compose.yml says which command each runs.
FROM python:3.11.14-slim-bookworm AS wheel
WORKDIR /source
COPY pyproject.toml README.md LICENSE ./
COPY client client
COPY service service
COPY worker worker
RUN pip wheel --no-cache-dir --no-deps --wheel-dir /wheels .

FROM python:3.11.14-slim-bookworm
ENV PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    COILBENCH_DATA=/data \
    COILBENCH_LISTEN=0.0.0.0:8080
# pg_dump and pg_restore, for backups of the database: of the same version as the server in docker-compose.yml.
RUN apt-get update \
    && apt-get install -y --no-install-recommends postgresql-client-15 \
    && rm -rf /var/lib/apt/lists/*
RUN groupadd --system --gid 10001 coilbench \
    && useradd --system --uid 10001 --gid 10001 --create-home --home-dir /data coilbench
COPY constraints.txt /wheels/
COPY --from=wheel /wheels /wheels
RUN pip install --no-cache-dir -c /wheels/constraints.txt "$(ls /wheels/coilbench-*.whl)[server,postgres,s3,parquet]"
USER 10001:10001
WORKDIR /data
VOLUME /data
EXPOSE 8080
# The signal at which gunicorn and the worker end cleanly, handing back what they have in hand.
STOPSIGNAL SIGTERM
# For the service; docker-compose.yml has those of the other roles.
HEALTHCHECK --interval=10s --timeout=5s --start-period=30s --retries=3 \
    CMD ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8080/healthz', timeout=4)"]
CMD ["gunicorn", "--config", "python:coilbench_service.gunicorn_settings", "coilbench_service.wsgi:app"]
