# make graph: the bundled model's words and pronunciations again, from the network as it is (seconds).
# make model: a new network from nothing (CPU: hours; a GPU: see models_manifest/build/REPORT.md).
# Both need Debian's libfst-tools and libfst22-plugins-base; model also flite, festival, festvox-kdlpc16k, espeak-ng.
MODEL_VENV := build/model-venv
MODEL_PY := $(MODEL_VENV)/bin/python
MODEL_BUILD := models_manifest/build
MODEL_DATA := build/model-data
DICTIONARY = $(shell $(MODEL_PY) -c 'import pathlib, pocketsphinx; print(pathlib.Path(pocketsphinx.__file__).parent / "model/en-us/cmudict-en-us.dict")')
SPEECH ?=

.PHONY: graph model

graph: $(MODEL_VENV)/.done .venv/.product
	$(MODEL_PY) $(MODEL_BUILD)/build.py - models_manifest/field_model --dictionary $(DICTIONARY) --no-garbage --phone 2.5
	$(BIN)/python -m assistant.speech.manifest

model: $(MODEL_VENV)/.done
	mkdir -p $(MODEL_DATA)
	$(MODEL_PY) $(MODEL_BUILD)/make_small_voices.py flite 3000 11 $(MODEL_DATA)/flite_1
	$(MODEL_PY) $(MODEL_BUILD)/make_small_voices.py espeak 1300 12 $(MODEL_DATA)/espeak_1
	$(MODEL_PY) $(MODEL_BUILD)/make_small_voices.py festival 1300 13 $(MODEL_DATA)/festival_1
	$(MODEL_PY) $(MODEL_BUILD)/make_small_voices.py pico 1000 14 $(MODEL_DATA)/pico_1
	$(MODEL_PY) $(MODEL_BUILD)/train.py --data $(MODEL_DATA) --dictionary $(DICTIONARY) $(if $(SPEECH),--people $(SPEECH)) \
	    --rows 10 --minutes 240 --out $(MODEL_DATA)/field.pt
	$(MODEL_PY) $(MODEL_BUILD)/build.py $(MODEL_DATA)/field.pt $(MODEL_DATA)/field_model --dictionary $(DICTIONARY) --garbage -2 --phone 2.5

$(MODEL_VENV)/.done: $(MODEL_BUILD)/requirements.txt
	$(PYTHON) -m venv $(MODEL_VENV)
	$(MODEL_VENV)/bin/pip install --quiet -r $(MODEL_BUILD)/requirements.txt
	touch $@
