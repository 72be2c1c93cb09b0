# make and make help list the targets.
.DEFAULT_GOAL := help
.PHONY: help demo test bench fuzz fuzz-serve bench-serve soak kill attack limits-campaign proto proto-check proto-breaking notices deps deps-test clean

DEMOFLAGS      =
BENCH          = .
COUNT          = 1
PKG            = ./...
FUZZTIME       = 30s
SERVEFUZZTIME  = 10m
SERVEBENCHTIME = 3s
SOAKTIME       = 5m
KILLS          = 100
ATTACKTIME     = 10s
SLOTS          = 2000
LADDERS        = 200
BASE           = main

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "%-15s %s\n", $$1, $$2 }' Makefile

demo: deps ## build leastwatt and run its demo (DEMOFLAGS)
	@flags=$$(tools/deps.sh flags) && go build $$flags -o bin/leastwatt ./cmd/leastwatt
	@bin/leastwatt demo --force $(DEMOFLAGS)

test: deps-test ## build, vet, staticcheck, gofmt, generated code, race tests
	@tools/test.sh

bench: deps ## run benchmarks (BENCH, COUNT, PKG)
	@flags=$$(tools/deps.sh flags) && go test $$flags -run '^$$' -bench '$(BENCH)' -benchmem -count $(COUNT) $(PKG)

fuzz: deps ## run each fuzz test for FUZZTIME
	@flags=$$(tools/deps.sh flags) && tools/fuzz.sh $(FUZZTIME) $(PKG) $$flags

fuzz-serve: deps ## fuzz slots and sessions: decoding, validation, scheduling (SERVEFUZZTIME each)
	@flags=$$(tools/deps.sh flags) && tools/fuzz.sh $(SERVEFUZZTIME) ./server $$flags

bench-serve: deps ## the service beside an echo of the same payload; memory of sessions; overrun of budgets
	@flags=$$(tools/deps.sh flags) && go test $$flags -run '^$$' -bench 'Serve|Session|Budget' -benchtime $(SERVEBENCHTIME) ./server

soak: deps ## good clients among bad ones, for SOAKTIME
	@flags=$$(tools/deps.sh flags) && go test $$flags -count=1 -run '^TestSoak$$' -v -timeout 60m ./server -soak $(SOAKTIME)

kill: deps ## sessions across KILLS kills of the server's process
	@flags=$$(tools/deps.sh flags) && go test $$flags -count=1 -run '^TestKill$$' -v -timeout 60m ./server -kills $(KILLS)

limits-campaign: deps ## plan SLOTS random slots and LADDERS of caps, judge them by a far field in NumPy
	@tools/deps.sh python
	@mkdir -p out && flags=$$(tools/deps.sh flags) && planned=0 && \
	go test $$flags -count=1 -run '^TestLimitsCampaign$$' -v -timeout 24h ./scheduler/audit \
		-limits-slots $(SLOTS) -limits-ladders $(LADDERS) -limits-out $(CURDIR)/out/limits.jsonl || planned=1; \
	/usr/bin/python3 testdata/reference/far_field.py out/limits.jsonl && exit $$planned

attack: deps ## attack a server that runs as deployed, ATTACKTIME for each kind of attack
	@flags=$$(tools/deps.sh flags) && go test $$flags -count=1 -run '^TestAttack$$' -v -timeout 60m ./cmd/leastwatt -attack $(ATTACKTIME)

proto: ## generate the Go code of the contract anew
	@tools/proto.sh generate

proto-check: ## lint the contract and compare its Go code with a fresh one
	@tools/proto.sh check

proto-breaking: ## fail when the contract breaks that of git revision BASE
	@tools/proto.sh breaking $(BASE)

notices: ## collect the licences of all that is linked in
	@tools/notices.sh generate

deps: ## install what the build needs
	@tools/deps.sh lp

deps-test: deps ## install what the tests need
	@tools/deps.sh python
	@tools/deps.sh node
	@tools/deps.sh browser

clean: ## remove what was built
	rm -rf bin out
