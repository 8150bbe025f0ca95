# make demo    makes .venv, installs frametally, runs the whole job on the demo night
# make test    installs what the tests need, runs them all
# make ready   installs what tests and lint need
# make lint    style, types, and the walls between rooms
# make clean   takes away what the above have made
# PYTHON=/path/to/python3.11 names the Python to use; otherwise python3 is asked first.

PIP := .venv/bin/python -m pip --disable-pip-version-check --quiet
RESULTS := results/canal_boat

export PYTHON

# Packages are installed uncompiled: were nothing of what Python compiles kept, each start would compile them anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test ready lint clean

# The environment may be made anew on the way, so what it lacks is looked at by a make of its own.
demo:
	@.ci/system.sh demo
	@.ci/venv.sh
	@$(MAKE) --silent --no-print-directory .venv/installed
	.venv/bin/frametally run sample_frames -c calibration/canal_boat.toml -t calibration/canal_boat.trial.toml -o $(RESULTS)

test:
	@.ci/system.sh test
	@$(MAKE) --silent --no-print-directory ready
	OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 .venv/bin/python -m pytest -n auto --dist loadfile

ready:
	@.ci/venv.sh
	@$(MAKE) --silent --no-print-directory .venv/installed-test

lint:
	@$(MAKE) --silent --no-print-directory ready
	@status=0; \
	for check in "ruff check" "ruff format --check" mypy lint-imports; do \
		echo "$$check"; \
		.venv/bin/$$check || status=1; \
	done; \
	exit $$status

# pip runs only where pyproject.toml has changed: the package is installed in place, so its sources may change freely.
.venv/installed: pyproject.toml
	@echo "Installing frametally and what it needs into .venv"
	@$(PIP) install --editable .
	@touch $@

.venv/installed-test: pyproject.toml
	@echo "Installing frametally and what its tests need into .venv"
	@$(PIP) install --no-compile --editable '.[test]'
	@touch .venv/installed $@

clean:
	rm -rf .venv build dist $(RESULTS) .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
