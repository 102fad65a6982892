#!/usr/bin/env bash
# What README says to somebody who has never seen it, in a bare copy of the repository and an empty home: install, demo,
# a job file, a visit from a recording with that job, its report, the page. Ends with status 1 at the first that fails.
set -euo pipefail
cd "$(dirname "$0")/.."

work=$(mktemp -d)
page=
finish() {
    status=$?
    [ -z "$page" ] || kill "$page" 2>/dev/null || true
    rm -rf "$work"
    [ "$status" = 0 ] || echo "newcomer: failed" >&2
}
trap finish EXIT
step() { echo "newcomer, ${SECONDS} s: $*"; }
says() { grep -q -- "$1" "$2" || { echo "newcomer: '$1' is not in:" >&2; cat "$2" >&2; exit 1; }; }

step "a bare copy"
mkdir "$work/copy" "$work/home" "$work/bin"
git ls-files -z --cached --others --exclude-standard | tar --null --files-from=- -c | tar -x -C "$work/copy"
python=$(command -v "${PYTHON:-python3}")
path=$PATH
[ ! -f "$HOME/.config/pip/pip.conf" ] || export PIP_CONFIG_FILE=${PIP_CONFIG_FILE:-$HOME/.config/pip/pip.conf}
export HOME=$work/home
unset PYTHONPATH VIRTUAL_ENV XDG_CACHE_HOME XDG_CONFIG_HOME XDG_DATA_HOME ASSISTANT_SHOP ASSISTANT_STORE || true
cd "$work/copy"

step "install"
if command -v uv >/dev/null; then
    UV_TOOL_DIR=$work/tools UV_TOOL_BIN_DIR=$work/bin uv tool install --quiet --python "$python" .
elif command -v pipx >/dev/null; then
    PIPX_HOME=$work/tools PIPX_BIN_DIR=$work/bin pipx install --quiet --python "$python" .
else # as they do it: an environment of its own, and the command on the path
    "$python" -m venv "$work/tools"
    "$work/tools/bin/pip" install --quiet .
    ln -s "$work/tools/bin/assistant" "$work/bin/assistant"
fi
export PATH=$work/bin:$path
find "$HOME" -type f | sort >"$work/installed.txt" # what the installer keeps for itself
mkdir "$work/desk"
recordings=$work/copy/audio_fixtures/visits
cd "$work/desk" # nothing of the repository is beside it
assistant --version
assistant --help >help.txt
says "A visit:" help.txt
status=0
assistant self-check >check.txt || status=$?
[ "$status" -lt 2 ] || { cat check.txt; exit 1; }

step "demo"
assistant demo gas-odour >demo.txt
says "This visit is invented" demo.txt
says "EMERGENCY" demo.txt
[ -s out/report.html ] && [ -s out/visit.sqlite ]

step "a job"
assistant job new blank.yaml
status=0
assistant job check blank.yaml >blank.txt || status=$?
[ "$status" = 1 ]
says "line 4, column 1: site: it is missing" blank.txt
printf '%s\n' "12 Real Street" "Jo Fitter" "" "80 000 Btu/h furnace" "tune up" "natural gas" "hot surface" 80000 3.5 |
    assistant job new job.yaml --ask >asked.txt
says "job.yaml: complete" asked.txt

step "a visit"
assistant visit --job job.yaml --from-audio "$recordings/gas-odour.flac" >visit.txt
says "EMERGENCY" visit.txt
assistant visits >visits.txt
says "12 Real Street, yearly check" visits.txt
visit=$(sed -n 's/^.*12 Real Street.*: //p' visits.txt)
case $visit in "$HOME"/*/ignition-assistant/visits/*) ;; *) echo "newcomer: the visit lies in $visit" >&2; exit 1 ;; esac
assistant record export "$visit" --format csv --out readings.csv

step "a report"
assistant report "$visit" --html report.html
says "12 Real Street" report.html
if grep -q "Invented: no such site" report.html; then echo "newcomer: the report says invented" >&2; exit 1; fi

step "the page"
assistant page --port 0 >page.txt &
page=$!
address=
for _ in $(seq 60); do
    address=$(sed -n 's/^The page is at \(http[^ ]*\).*/\1/p' page.txt)
    [ -z "$address" ] || break
    sleep 0.5
done
"$python" - "$address" >page.html <<'PY'
import sys
import urllib.request

print(urllib.request.urlopen(sys.argv[1], timeout=30).read().decode())
PY
says "12 Real Street" page.html

step "what changed in the home"
find "$HOME" -type f | sort >files.txt
others=$(comm -13 "$work/installed.txt" files.txt | grep -v -E '/(\.cache|\.local/share|Library/[^/]*)/ignition-assistant/' || true)
[ -z "$others" ] || { echo "newcomer: also written in the home: $others" >&2; exit 1; }
step "done"
