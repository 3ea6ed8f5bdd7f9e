# The steps are the README's: make setup, then a command of .venv.
FROM python:3.12-slim
RUN apt-get update && apt-get install --yes --no-install-recommends make && rm -rf /var/lib/apt/lists/*
WORKDIR /srv/maskwright
COPY . .
RUN make setup
RUN useradd --create-home maskwright && mkdir /data && chown maskwright /data
USER maskwright
# The second of these: else glibc keeps memory apart for each of the service's many threads.
ENV MASKWRIGHT_DATA_DIR=/data MALLOC_ARENA_MAX=2 PYTHONUNBUFFERED=1
EXPOSE 8000
CMD [".venv/bin/python", "-m", "service"]
