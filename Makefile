# Each target is what its comment says; what a target needs from the machine, it installs or starts itself.
.PHONY: help build demo demo-stop test race lint bench bench-baselines bench-fits screens clean
.DEFAULT_GOAL := help
PROVING := $(or $(TMPDIR),/tmp)/rimeyard-proving-$(shell id -u)

help: ## print this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "make %-15s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

build: ## the program, as ./rimeyard
	@go build -o rimeyard ./cmd/rimeyard

demo: build ## an invented fleet: import, fit, rank, mail, and a server to look at; again takes seconds
	@deploy/ensure-postgres
	@./rimeyard demo

demo-stop: build ## end the demo's server
	@./rimeyard demo --stop

test: ## every test on a real database and browser; what CI runs, no more and no less
	@deploy/ensure-postgres
	@deploy/ensure-chromium
	@deploy/ensure-axe >/dev/null
	@deploy/ensure-poppler
	@deploy/ensure-libreoffice
	go vet ./...
	@status=0; go test -timeout 14m ./... || status=$$?; go run ./internal/pgtest/stop && exit $$status

race: ## every test under the race detector; slow
	@deploy/ensure-postgres
	@deploy/ensure-chromium
	@deploy/ensure-axe >/dev/null
	@deploy/ensure-poppler
	@deploy/ensure-libreoffice
	@status=0; go test -race -timeout 60m ./... || status=$$?; go run ./internal/pgtest/stop && exit $$status

lint: bin/golangci-lint ## the pinned linters, formatting included
	bin/golangci-lint run ./...

bin/golangci-lint: tools/go.mod tools/go.sum
	cd tools && go build -o ../bin/ github.com/golangci/golangci-lint/v2/cmd/golangci-lint mvdan.cc/gofumpt

bench: ## every benchmark, ten times over, for benchstat
	@deploy/ensure-postgres
	go test -run '^$$' -bench . -benchmem -count 10 -timeout 120m ./...

bench-baselines: ## the forecast beside learners without physics, on fleets of which the truth is known; needs R; half an hour
	@deploy/ensure-r gbm ranger
	@mkdir -p "$(PROVING)/features"
	go run ./internal/proving/prove -seeds 1-3 -dirt both -cache "$(PROVING)/fleets" -features "$(PROVING)/features"
	Rscript --vanilla bench/baselines.R "$(PROVING)/features" "$(PROVING)/predictions.csv"

bench-fits: ## what units differ by, and lines of cranking volts, beside the same fits in R; needs R; a minute
	@deploy/ensure-r lme4
	go test -tags lme4 -run '^$$' -bench AgainstR -benchtime 1x -count 3 ./trend

screens: build ## the pictures of README and docs, taken from the running demo
	@deploy/ensure-postgres
	@deploy/ensure-chromium
	cd tools && go build -o ../bin/ ./screens
	@mkdir -p docs/pictures
	bin/screens ./rimeyard docs/pictures

clean: ## remove what was built, and the test server with its data
	@go run ./internal/pgtest/stop
	rm -rf rimeyard bin "$${TMPDIR:-/tmp}/rimeyard-test-$$(id -u)" "$(PROVING)"
