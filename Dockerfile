# One image for service, worker and migration; docker-compose.yml says which command each runs.
FROM python:3.11-slim AS wheel
WORKDIR /source
COPY pyproject.toml README.md LICENSE ./
COPY client client
COPY service service
COPY worker worker
RUN pip wheel --no-cache-dir --no-deps --wheel-dir /wheels .

FROM python:3.11-slim
ENV PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    COILBENCH_DATA=/data
RUN useradd --system --uid 10001 --create-home --home-dir /data coilbench
COPY constraints.txt /wheels/
COPY --from=wheel /wheels /wheels
RUN pip install --no-cache-dir -c /wheels/constraints.txt "$(ls /wheels/coilbench-*.whl)[server,postgres,s3,parquet]"
USER coilbench
WORKDIR /data
VOLUME /data
EXPOSE 8080
# The signal at which gunicorn and the worker end cleanly, handing back what they have in hand.
STOPSIGNAL SIGTERM
# For the service; the other roles replace or switch it off in docker-compose.yml.
HEALTHCHECK --interval=10s --timeout=5s --start-period=20s --retries=3 \
    CMD ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8080/healthz', timeout=4)"]
# One process: keys in flight and the counts of /metrics are kept in it; hashing and disk leave its threads free.
# Heartbeats of gunicorn go to memory: a disk that is slow to write would look like a worker that hangs.
CMD ["gunicorn", "--bind", "0.0.0.0:8080", "--worker-class", "gthread", "--workers", "1", "--threads", "32", \
     "--worker-tmp-dir", "/dev/shm", "--timeout", "120", "--graceful-timeout", "25", "coilbench_service.wsgi:app"]
