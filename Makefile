# make demo   does a whole invented job on the virtual bench, into ./demo
# make test   all tests, the sound-card path included
# make check  what else a change must pass: format, lint, race, cross-builds
# make windows   the archive for Windows, run under Wine, sound and all
# make package   the Debian package, installed on a bare Debian and removed again
# make builds   the program and the archives, for every system
# make arm64  the demonstration on an emulated processor, compared with this one's
# make gallery  every picture and page of the program, into build/gallery
# make fuzz   every reader of files on spoilt ones, half a minute each
# make bench  how long users wait, beside numpy and scipy where they are installed,
#             added to testdata/figures/bench.txt
# make studies  all benchmarks, and studies of populations, which take long
# make faults  faults planted in the program, each of which a test must find
# make build  ./build/tapload
# make dist   archives and packages for Linux, Windows and macOS, into build/dist
# make install, make uninstall   program, manual pages and completions, under
#             PREFIX: /usr/local, or ~/.local when you are not root

# Tests that take long, and as long without -short and with all seeds.
UNSEEDED = ^Test(TonesRatioIsExact|ClockDifference|NoiselessRatioIsExact|Harmonics(Refusals|OfALinearLoad)|ResidualOfPulses|ListenFaults|Silence)$$

# Long studies of populations, all of which make studies takes, and of most make test or
# make check a part.
STUDIES = ^Test(RightStandardsAreTaken|WrongStandardsAreRefused|RightBoxesDoNotFail|WrongBoxesDoNotPass|LeaksBelowTheLimitAreFound|CtrlC|(Long)?ListeningCovers|CheckTellsWhatIsConnected)$$

# What plays the demonstration's job, or shows its pages.
DEMONSTRATED = ^Test(ShownCommands|Demo.*|Gallery|DefaultPagesAreOneScreen|ReportHasTheNumbersOfTheCommands)$$

# What depends on how the sound-card library is reached: its structures and calls,
# the thread that it calls back on, and signals that find such a thread.
LOADED = ^Test(Rig(EverySample|Stream|OtherInputsAndRate|LateBlock|ServerDies|Faults|List)|StructuresAreThoseOfC|Entry|WithoutTheLibrary|CardSweep|CardStopsMidSweep|CardsLists)$$

LOADED_IN = ./measure/card/portaudio ./cmd/tapload

# The packages, but for the program, in which goroutines start.
CONCURRENT = $(shell grep -rlE '\bgo func|\.Go\b' --include='*.go' cmd/tapload/internal fit fixtures measure plot | xargs -n1 dirname | sort -u | sed 's|^|./|')

# Every reader that the fuzzer is let loose on, as folder:function, and for how long.
FUZZED = $(shell grep -rnoE --include='*_test.go' '^func Fuzz[A-Za-z0-9]+' cmd fit fixtures measure plot | sed -E 's|/[^/]*:func |:|' | sort)
FUZZTIME ?= 30s

STATICCHECK = honnef.co/go/tools/cmd/staticcheck@v0.8.2

# Go reads the commit from git, and refuses to build where git refuses to answer.
BUILDVCS := $(shell git status >/dev/null 2>&1 && echo auto || echo false)

.PHONY: demo gallery build install uninstall dist package arm64 test check builds windows fuzz bench studies faults deps deps-test deps-dist clean
.NOTPARALLEL:

demo: build
	@./build/tapload demo -o demo

gallery: deps
	@TAPLOAD_GALLERY="$(CURDIR)/build/gallery" go test -count=1 -run '^TestGallery$$' ./cmd/tapload
	@echo "open build/gallery/index.html"

build: deps
	@go build -buildvcs=$(BUILDVCS) -o build/tapload ./cmd/tapload

PROGRAM = build/tapload
PREFIX ?= $(shell test "$$(id -u)" = 0 && echo /usr/local || echo "$$HOME/.local")
BIN = $(DESTDIR)$(PREFIX)/bin
SHARE = $(DESTDIR)$(PREFIX)/share
BASH_COMPLETION = $(SHARE)/bash-completion/completions/tapload
ZSH_COMPLETION = $(SHARE)/zsh/site-functions/_tapload
FISH_COMPLETION = $(SHARE)/fish/vendor_completions.d/tapload.fish
DESKTOP_ENTRY = $(SHARE)/applications/tapload.desktop
ICON = $(SHARE)/icons/hicolor/scalable/apps/tapload.svg

install: build
	install -d "$(BIN)" "$(SHARE)/man/man1" "$(dir $(BASH_COMPLETION))" "$(dir $(ZSH_COMPLETION))" "$(dir $(FISH_COMPLETION))"
	install -m 755 "$(PROGRAM)" "$(BIN)/tapload"
	"$(PROGRAM)" manual -o "$(SHARE)/man/man1"
	"$(PROGRAM)" completion bash >"$(BASH_COMPLETION)"
	"$(PROGRAM)" completion zsh >"$(ZSH_COMPLETION)"
	"$(PROGRAM)" completion fish >"$(FISH_COMPLETION)"
	install -D -m 644 .ci/dist/desktop/tapload.desktop "$(DESKTOP_ENTRY)"
	install -D -m 644 .ci/dist/desktop/tapload.svg "$(ICON)"

uninstall:
	rm -f "$(BIN)/tapload" "$(SHARE)/man/man1/tapload.1" "$(SHARE)/man/man1"/tapload-*.1
	rm -f "$(BASH_COMPLETION)" "$(ZSH_COMPLETION)" "$(FISH_COMPLETION)" "$(DESKTOP_ENTRY)" "$(ICON)"

dist: deps-dist
	go run ./.ci/dist

package: deps-dist
	@.ci/deps package
	.ci/package

# Both programs have one path, which the demonstration prints.
arm64:
	@.ci/deps arm64
	@for on in "" "qemu-aarch64-static -L /usr/aarch64-linux-gnu"; do \
	  CGO_ENABLED=0 GOARCH=$${on:+arm64} go build -buildmode=pie -buildvcs=$(BUILDVCS) -o build/arm64/tapload ./cmd/tapload && \
	  rm -rf build/arm64/demo && \
	  (cd build/arm64 && $$on ./tapload demo -o demo >"$${on:+emulated-}demo.txt") || exit 1; \
	done
	diff build/arm64/demo.txt build/arm64/emulated-demo.txt
	@echo "the demonstration says the same on both, in $$(wc -l <build/arm64/demo.txt) lines"

# Tests live for seconds: memory is cleared less often, up to a limit for each process.
test check: export GOGC = 400
test check: export GOMEMLIMIT = 1GiB

# With a resolver and a list of users that are Go's own, the packages of the network
# are the same with cgo as without it, and are compiled once for both.
OWN_FLAGS := $(shell go env GOFLAGS 2>/dev/null)
test: export GOFLAGS = $(strip $(OWN_FLAGS) -tags=netgo,osusergo)

test: deps-test
	@# Compiled before both runs begin, which would each compile what they share.
	CGO_ENABLED=0 go test -vet=off -run '^$$' $(LOADED_IN)
	@# The sound card once more, through the library as a prebuilt program loads it: it
	@# plays in real time, one sound server at a time, and leaves the processor to the rest.
	@# -short: every check, on fewer seeds; make check takes them all, and vets the code.
	@# -parallel: those that play in real time leave the processor to others.
	@# -timeout: what hangs ends, and a machine that is busy with something else does not.
	@echo "TAPLOAD_REQUIRE_RIG=1 CGO_ENABLED=0 go test -vet=off -run '$(LOADED)' $(LOADED_IN), beside"
	@echo "TAPLOAD_REQUIRE_RIG=1 go test -vet=off -short -parallel 4 -timeout 20m ./..."
	@export TAPLOAD_REQUIRE_RIG=1; \
	CGO_ENABLED=0 go test -vet=off -run '$(LOADED)' $(LOADED_IN) & \
	go test -vet=off -short -parallel 4 -timeout 20m ./... ; rest=$$?; \
	wait $$! && exit $$rest

check: deps-test deps-dist
	@echo "== format"
	@test -z "$$(gofmt -l .ci cmd fit fixtures measure plot 2>/dev/null)" || { gofmt -d .ci cmd fit fixtures measure plot; exit 1; }
	@echo "== modules"
	go mod tidy -diff
	@echo "== vet and lint"
	go vet ./...
	go run $(STATICCHECK) ./...
	@# The emulator takes minutes of one processor, and what is built beside it has no limits of time.
	@mkdir -p build; $(MAKE) --no-print-directory arm64 >build/arm64.txt 2>&1 & there=$$!; \
	$(MAKE) --no-print-directory builds; here=$$?; wait $$there; there=$$?; \
	echo "== the demonstration on another processor"; cat build/arm64.txt; exit $$((here + there))
	@echo "== faults that make faults plants are there to plant"
	go test -count=1 ./.ci/faults
	@echo "== who imports whom"
	go test -count=1 -run '^TestImportTable$$' ./cmd/tapload
	@echo "== every test, with all seeds"
	@# -skip: what takes long and has no seeds; make test runs it.
	TAPLOAD_SEEDS=all go test -skip '$(UNSEEDED)|$(STUDIES)' -timeout 40m ./fit/... ./fixtures/... ./measure ./measure/ratio ./measure/signal
	@echo "== of listening, which make studies has whole, one of each kind"
	go test -run '^TestListeningCovers$$' ./measure
	@echo "== malformed inputs, 10,000 for each reader that the stage above left out"
	TAPLOAD_SEEDS=all go test -run '^TestMalformed' ./measure/record ./measure/card ./measure/card/server ./cmd/tapload/internal/live ./cmd/tapload
	@# So many inputs and not so long: a busy machine must not end one in the middle.
	@$(MAKE) --no-print-directory fuzz FUZZTIME=1000x
	@echo "== the page at the bench, in a browser: a whole job by keyboard, standards that tick themselves"
	TAPLOAD_REQUIRE_RIG=1 go test -count=1 -run 'OnThePage|InABrowser|StandardsTick|StoppedSteps' ./cmd/tapload
	TAPLOAD_REQUIRE_RIG=1 go test -count=1 ./cmd/tapload/internal/live
	@echo "== every shown command, and the demonstration: stopped half-way, its pages and all pictures"
	go test -count=1 -run '$(DEMONSTRATED)' ./cmd/tapload
	@echo "== race detector"
	@# Once and short, where anything runs at once: a race shows in one run as well as in
	@# a thousand seeded ones, and in one command as well as in a hundred. Malformed texts have
	@# limits of time, and no goroutines; what fit has of those -short leaves out.
	TAPLOAD_REQUIRE_RIG=1 go test -race -short -skip '$(UNSEEDED)|Covers$$|ConfidentlyWrong$$|^Fuzz|^TestMalformed' -timeout 20m $(filter-out ./fit ./measure ./measure/ratio ./fixtures/box/proof,$(CONCURRENT))
	@# Every kind of measurement, whose goroutines are those of ratio too, and a proof.
	go test -race -short -run 'TheirContext$$|Live' -timeout 20m ./measure
	go test -race -short -run 'TwoInSeries|WarmCabinet' -timeout 20m ./fixtures/box/proof
	TAPLOAD_REQUIRE_RIG=1 go test -race -short -run 'AtOnce$$|Live|Guide$$|Progress|TestScripts/(fit|live|plan)$$' -timeout 40m ./cmd/tapload

builds: deps-dist
	@echo "== builds without a C compiler, and for other systems"
	CGO_ENABLED=0 go vet ./...
	@for on in linux/amd64 linux/arm64 windows/amd64 darwin/amd64 darwin/arm64; do \
	  echo "$$on"; CGO_ENABLED=0 GOOS=$${on%/*} GOARCH=$${on#*/} go vet ./measure/card/portaudio && \
	  CGO_ENABLED=0 GOOS=$${on%/*} GOARCH=$${on#*/} go build -buildvcs=false -o /dev/null ./cmd/tapload || exit 1; \
	done
	@echo "== an archive, made twice, and the program in it"
	go vet ./.ci/dist ./.ci/windows ./.ci/bench ./.ci/faults
	go run $(STATICCHECK) ./.ci/dist ./.ci/windows ./.ci/bench ./.ci/faults
	go test -count=1 ./.ci/dist

windows:
	@if [ "$$(uname -m)" != x86_64 ]; then \
	  echo "make windows: NOT RUN: Wine runs the program of the archive on x86-64 alone"; \
	elif ! .ci/deps windows; then \
	  echo "make windows: NOT RUN: what it needs cannot be installed here, as said above"; \
	else \
	  TAPLOAD_REQUIRE_WINE=1 TAPLOAD_REQUIRE_RIG=1 go test -count=1 -v -timeout 15m ./.ci/windows; \
	fi

fuzz: deps-test
	@for at in $(FUZZED); do \
	  go test -run '^$$' -fuzz "^$${at#*:}$$" -fuzztime $(FUZZTIME) "./$${at%:*}" || exit 1; \
	done

bench: build
	go run ./.ci/bench

studies: deps-test
	go test -run '^$$' -bench . -benchmem ./...
	TAPLOAD_SEEDS=all go test -count=1 -timeout 40m -run '$(STUDIES)' ./fixtures/jig ./fixtures/box/proof ./measure ./cmd/tapload

# Its output is kept in testdata/figures/seeded-faults.txt.
faults: deps-test
	@go run ./.ci/faults

deps:
	@.ci/deps build

deps-test:
	@.ci/deps test

deps-dist:
	@.ci/deps dist

clean:
	rm -rf build demo
