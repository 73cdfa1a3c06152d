# Each target does its own set-up. `make` alone prints this list.

VERSION := $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)

# The oldest amd64 level, so that one binary runs on every plant computer and
# measured times mean the same everywhere.
export GOAMD64 := v1

# The race detector needs cgo and a C compiler; without one the tests run plain.
RACE := $(if $(shell command -v $${CC:-gcc} 2>/dev/null),-race)
# Pure computing, where the race detector finds next to nothing and
# makes simulations ten times slower.
PLAIN := /(spc/(sphere|surface|chart|rules|autocorrelation|multivariate|runlength|changepoint|fault|fit|components|capability|gaugestudy|dist|refusal|proof)|server/verify)(/|$$)

# PostgreSQL refuses to run as root, so root's demonstration runs it as the user
# postgres (or nobody), who must be able to reach the data folder. A work tree
# in the home of root, which only root may enter, cannot hold it; /var/lib can.
ifeq ($(shell id -u),0)
DEMO_DIR ?= /var/lib/sagwatch-demo
else
DEMO_DIR ?= $(CURDIR)/.demo
endif

.DEFAULT_GOAL := help

.PHONY: help
help: ## print this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-10s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

.PHONY: build
build: ## build bin/sagwatch and bin/gaugesim
	go build -trimpath -buildvcs=false -ldflags "-X main.version=$(VERSION)" -o bin/ ./cmd/sagwatch ./cmd/gaugesim

.PHONY: generate
generate: ## write the Go code of the *.templ pages
	go tool templ generate

.PHONY: demo
demo: ## install what is missing, build, and run the invented plant; prints the address
	@.ci/setup postgres
	@$(MAKE) --no-print-directory build
	SAGWATCH_DATA_DIR="$(DEMO_DIR)" exec bin/gaugesim demo

.PHONY: test
test: ## install what is missing and run all tests
	@.ci/setup postgres chromium
	@status=0; \
	go test $(RACE) -timeout 9m $$(go list ./... | grep -Ev '$(PLAIN)') || status=1; \
	plain=$$(go list ./... | grep -E '$(PLAIN)') || exit $$status; \
	go test -timeout 9m $$plain || status=1; \
	exit $$status

.PHONY: check
check: ## formatting, vet, generated pages up to date, landed migrations unchanged
	@bad=$$(gofmt -l cmd migrations server spc store web 2>/dev/null); \
	if [ -n "$$bad" ]; then echo "Not formatted; run gofmt -w on:" $$bad >&2; exit 1; fi
	go vet ./...
	@.ci/templ
	@.ci/migrations

.PHONY: verify
verify: ## check the statistics against published values and write the table of the page
	go run ./cmd/sagwatch verify --table server/verify/table.json

.PHONY: score
score: ## play faults and quiet times against the service and mark what it finds (ARGS="--seeds 1 --detail")
	@.ci/setup postgres
	@$(MAKE) --no-print-directory build
	bin/gaugesim score $(ARGS)

.PHONY: bench
bench: ## run the benchmarks, one package at a time
	@.ci/setup postgres
	go test -p 1 -run '^$$' -bench . -benchmem -timeout 60m ./...

.PHONY: fuzz
fuzz: ## run every fuzz test for a minute (FUZZTIME=10s for less)
	@.ci/setup postgres
	@set -e; for pkg in $$(go list ./...); do \
		for name in $$(go test -list '^Fuzz' $$pkg | grep '^Fuzz'); do \
			echo "$$pkg $$name"; \
			go test -run '^$$' -fuzz "^$$name\$$" -fuzztime $${FUZZTIME:-1m} $$pkg; \
		done; \
	done

.PHONY: land
land: ## mark the new migrations as landed: from then on they never change
	@.ci/migrations land

.PHONY: clean
clean: ## remove what was built (the demonstration's data stays)
	rm -rf bin
