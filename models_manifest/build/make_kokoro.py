"""Synthesizes planned Kokoro speech on all cores, in shards of a few minutes.

    python make_kokoro.py PLAN.json KOKORO.onnx STYLES.npz OUT_FOLDER --processes 14

STYLES.npz holds, for each voice, an array (text length, 256).  Stops when the plan is done, or when
a file OUT_FOLDER/stop appears.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os

import numpy as np

import shards


def session(path: str):
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    options.add_session_config_entry("session.set_denormal_as_zero", "1")  # four times faster on some
    return onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])


def synthesize(model, styles, item: dict) -> np.ndarray:
    ids = item["ids"]
    row = min(len(ids), len(styles[item["first"]]) - 1)
    share = item["share"]
    style = share * styles[item["first"]][row].astype(np.float32) + (1 - share) * styles[item["second"]][row].astype(
        np.float32
    )
    out = model.run(
        None,
        {
            "tokens": np.array([[0, *ids, 0]], dtype=np.int64),
            "style": style[None],
            "speed": np.array([item["speed"]], dtype=np.float32),
        },
    )[0]
    return shards.tidy(out.reshape(-1), 24000)


def work(number: int, processes: int, a) -> None:
    with open(a.plan, encoding="utf-8") as f:
        plan = json.load(f)[number::processes]
    styles = dict(np.load(a.styles))
    model = session(a.onnx)
    for n, at in enumerate(range(0, len(plan), a.shard)):
        if os.path.exists(f"{a.out}/stop"):
            break

        def made():
            for item in plan[at : at + a.shard]:
                wave = synthesize(model, styles, item)
                if 0.15 * shards.RATE < len(wave) < 10 * shards.RATE:
                    yield item["text"], f"kokoro:{item['first']}*{item['share']}+{item['second']}", wave

        partial = f"{a.out}/.p{number:02d}_{n:03d}"
        shards.write(partial, made())
        name = f"{a.out}/kokoro_{number:02d}_{n:03d}"
        os.rename(partial + ".ogg", name + ".ogg")
        os.rename(partial + ".json", name + ".json")  # a reader looks for this one


if __name__ == "__main__":
    ap = argparse.ArgumentParser()
    for name in ("plan", "onnx", "styles", "out"):
        ap.add_argument(name)
    ap.add_argument("--processes", type=int, default=os.cpu_count())
    ap.add_argument("--shard", type=int, default=16, help="utterances in a shard")
    args = ap.parse_args()
    os.makedirs(args.out, exist_ok=True)
    jobs = [multiprocessing.Process(target=work, args=(i, args.processes, args)) for i in range(args.processes)]
    for job in jobs:
        job.start()
    for job in jobs:
        job.join()
