# Everything sets itself up: a virtual environment in .venv, made again when pyproject.toml changes.
.PHONY: demo test bench lint types clean setup schema reference documents

VENV := .venv
PY := $(VENV)/bin/python
STAMP := $(VENV)/.made-from-pyproject

setup: $(STAMP)

$(STAMP): pyproject.toml
	@for p in python3 python3.13 python3.12 python3.11; do \
	  if $$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then python=$$p; break; fi; done; \
	if [ -z "$$python" ]; then echo "Ullage needs Python 3.11 or newer, and none was found." >&2; exit 2; fi; \
	echo "setting up $(VENV) with $$($$python --version) (once)"; \
	$$python -m venv $(VENV) || { echo "The venv module is missing; on Debian: apt-get install python3-venv" >&2; exit 2; }
	@$(PY) -m pip install --quiet --editable '.[dev]'
	@touch $@

demo: $(STAMP)
	@$(PY) examples/demo.py

test: $(STAMP)
	@$(PY) -m pytest -n auto $(PYTEST_ARGS)

bench: $(STAMP)
	@$(PY) benchmarks/codec.py $(BENCH_ARGS)

lint: $(STAMP)
	@$(VENV)/bin/ruff check .
	@$(VENV)/bin/ruff format --check .

types: $(STAMP)
	@$(VENV)/bin/mypy

schema: $(STAMP)
	@$(PY) -m ullage.spec.schema > spec/ullage.schema.json

reference: $(STAMP)
	@$(PY) -m ullage.spec.reference spec/FORMAT.md

documents: $(STAMP)
	@PYTHONPATH=tests $(PY) tests/test_documents.py

clean:
	rm -rf $(VENV) build *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
