# `make` alone prints this help: each target with what stands after ##.

GO    ?= go
SHELL := /bin/bash
BIN   := bin/lensledger

# Tools are run at a fixed version and are no part of go.mod.
GOLANGCI := $(GO) run github.com/golangci/golangci-lint/v2/cmd/golangci-lint@v2.15.0
VULN     := $(GO) run golang.org/x/vuln/cmd/govulncheck@v1.9.0

# Where benchmarks are, and for how long each runs.
BENCHED   := ./events ./events/simulate ./events/stream ./projections/measure ./projections/projector ./services/intake ./services/lensledger ./services/portal/browsing
BENCH     ?= .
BENCHTIME ?= 1s
FUZZTIME  ?= 30s
# The packages whose tests take longest begin first, so that none of them is left
# alone at the end.
LONGEST   := ./services/portal/browsing ./services/lensledger ./projections/projector
# Operations of bench-million.
CASES     ?= 1000000
# Rounds of torture, and its tests. Its permutations are one more than 50 times as many:
# 100 is the flag's default, which the tests take for no number given.
TORTURE   ?= 20
TORTURED  := TestAPowerCut|TestKilledServers|TestAFullDisk|TestAFullLog|TestADamagedStore|TestThreeNodes|TestADeadConnection|$\
TestAFullPostgresDisk|TestKilledRebuild|TestUnknownCommits|TestTornConnections|TestStandbyTakesOver|TestTwoProjectors|$\
TestStaleProjector|TestCutOffLeader|TestSilentHolder|TestKilledProcesses

.DEFAULT_GOAL := help
.PHONY: help demo build test test-race check fmt-check vet lint vuln bench bench-million torture fuzz charts screenshots postgres chromium clean

help: ## print this help
	@awk -F':.*## ' '/^[a-z-]+:.*## /{printf "  make %-13s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

demo: postgres build ## start everything on this machine with an invented scenario: http://127.0.0.1:8080/
	@exec $(BIN) demo $(DEMO)

build: ## build bin/lensledger
	$(GO) build -trimpath -o $(BIN) ./services/lensledger

test: postgres chromium ## run all tests against real servers, about 7 minutes on 2 cores
	$(GO) test $(TESTFLAGS) $(LONGEST) ./...

test-race: postgres chromium ## run the tests under the race detector: slow
	$(GO) test -race -timeout 30m $(TESTFLAGS) ./...

check: fmt-check vet lint vuln ## gofmt, vet, linters, known vulnerabilities

fmt-check: ## is everything gofmt-ed?
	@unformatted=$$(gofmt -l $$(git ls-files --cached --others --exclude-standard '*.go')); \
	if [ -n "$$unformatted" ]; then echo "not gofmt-ed: run gofmt -w"; echo "$$unformatted"; exit 1; fi

vet: ## go vet
	$(GO) vet ./...

lint: ## the linters of .golangci.yml; the first run builds them, which takes minutes
	@if $(GOLANGCI) version >/dev/null 2>&1; then $(GOLANGCI) run; \
	else echo "NOT LINTED: golangci-lint can't be had from here (no network to the module proxy?)" >&2; fi

vuln: ## known vulnerabilities in what is called
	@if out=$$($(VULN) ./... 2>&1); then tail -n 3 <<<"$$out"; \
	elif grep -qE 'vuln\.go\.dev|dial tcp|no such host|connection refused|proxyconnect|Forbidden|module lookup disabled' <<<"$$out"; then \
	  echo "NOT CHECKED FOR VULNERABILITIES: the tool or its database can't be reached from here" >&2; tail -n 2 <<<"$$out" >&2; \
	else echo "$$out"; exit 1; fi

bench: postgres chromium ## measure: live rate, latency, rebuild, decoding, chart designs, pages
	$(GO) test -run '^$$' -bench '$(BENCH)' -benchtime $(BENCHTIME) -timeout 30m $(BENCHED)

bench-million: postgres ## measure the bulk path at CASES operations, a million: an hour or more, and 45 GB under TMPDIR
	CASES=$(CASES) nice -n 10 $(GO) test -run '^$$' -bench BenchmarkMillion -benchtime 1x -timeout 24h ./services/lensledger

torture: postgres ## break servers, disks, connections and processes, TORTURE rounds of each, and shuffle: hours; all it says is in bin/torture.log
	@mkdir -p bin; set -o pipefail; status=0; \
	shown() { tee -a bin/torture.log | grep --line-buffered -E '^ *--- |^(ok|FAIL|PASS|panic)|_test\.go:[0-9]+:'; return $${PIPESTATUS[0]}; }; : >bin/torture.log; \
	TORTURE=$(TORTURE) $(GO) test -p 1 -count=1 -v -timeout 6h -run '$(TORTURED)' ./events/stream ./projections/projector ./services/lensledger 2>&1 | shown || status=1; \
	$(GO) test -count=1 -v -timeout 6h -run 'TestAnyOrderGivesTheSameRows|TestAnswersAsOfStand' ./projections/projector -rapid.checks=$$((50*$(TORTURE)+1)) 2>&1 | shown || status=1; \
	exit $$status

fuzz: ## fuzz every decoder and every measure, FUZZTIME each
	@for package in ./events ./projections/measure; do \
	  for target in $$($(GO) test -list '^Fuzz' $$package | grep '^Fuzz'); do \
	    echo "$$package $$target"; $(GO) test -run '^$$' -fuzz "^$$target\$$" -fuzztime $(FUZZTIME) $$package || exit 1; \
	  done; done

charts: ## build the scripts of the pages, services/portal/assets/*.js, from services/portal/charts: needs npm
	cd services/portal/charts && npm ci --no-audit --no-fund --ignore-scripts && node build.mjs

screenshots: postgres chromium ## take the pictures of docs/pages.md anew, from a demo of its own
	PICTURES=$(CURDIR)/docs/pictures $(GO) test -count=1 -run '^TestTakePictures$$' ./services/portal/browsing

chromium: ## install Chromium where there is none (apt), for the tests of the pages
	@deploy/install-chromium.sh

postgres: ## install PostgreSQL where there is none (apt, brew), unless DATABASE_URL names one
	@deploy/install-postgres.sh

clean: ## remove what was built
	rm -rf bin
