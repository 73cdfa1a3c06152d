# The service in a container. It needs a PostgreSQL server beside it
# (SAGWATCH_DATABASE_URL); docker-compose.yml brings both up.
FROM golang:1.26-bookworm AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
ARG VERSION=dev
RUN make build VERSION="$VERSION"

FROM debian:bookworm-slim
# tzdata: the plant's time zone.
RUN apt-get update \
	&& apt-get install -y --no-install-recommends ca-certificates tzdata \
	&& rm -rf /var/lib/apt/lists/* \
	&& adduser --system --group --no-create-home --home /nonexistent sagwatch
COPY --from=build /src/bin/sagwatch /usr/local/bin/sagwatch
COPY LICENSE /usr/share/doc/sagwatch/LICENSE
USER sagwatch
# Inside the container only; what is published, and where, the host decides.
ENV SAGWATCH_LISTEN=0.0.0.0:8048
EXPOSE 8048
STOPSIGNAL SIGTERM
# The program asks itself whether it is ready (and that asks the database): the
# image has no other HTTP client.
HEALTHCHECK --interval=15s --timeout=5s --start-period=30s --retries=4 CMD ["sagwatch", "doctor", "--url", "http://127.0.0.1:8048"]
ENTRYPOINT ["sagwatch"]
CMD ["serve"]
