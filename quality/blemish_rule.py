#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Fits the rule by which an odd spot is told from dirt, and writes its numbers,
src/restore/blemish_fit.h.

    quality-restore --features > features.txt
    quality/blemish_rule.py features.txt src/restore/blemish_fit.h

A line of features.txt: reel, frame, area, pixels that are dirt beyond 3 sigma, pixels that are dirt
at all, pixels that are clean, pixels in fast areas, x, y, width, height, group, then the features in
the order of blemish_feature. "#P reel pixels name width height" gives all the dirt of a reel. A group
is what is left out together when the rule is scored on what it has not seen: reels of one footage.
Needs numpy. The same input gives the same rule.
"""
import sys

import numpy as np

FEATURES = ("area score peak sign ring quarrel quarrel_ring edge trust rough twin twin_pair busy "
            "colour light").split()
HIDDEN = 16


def load(path):
    dirt, rows = {}, []
    for line in open(path, encoding="ascii"):
        if line.startswith("#P"):
            a = line.split()
            dirt[int(a[1])] = (int(a[2]), a[3], int(a[4]) * int(a[5]))
        else:
            rows.append([float(v) for v in line.split()])
    return dirt, np.array(rows)


def inputs(f):
    """As rw_blemish_judge: what it is fed."""
    g = {name: f[:, i] for i, name in enumerate(FEATURES)}
    return np.column_stack([
        np.minimum(g["area"], 8), g["score"], g["peak"], g["sign"], np.minimum(g["ring"], 4),
        np.minimum(g["quarrel"], 2.5), np.log(g["quarrel_ring"] + 0.5),
        np.clip(g["edge"], -0.2, 1), g["trust"], np.log(1 + g["rough"]), g["twin"], g["twin_pair"],
        np.sqrt(g["busy"]), np.minimum(g["colour"], 3), g["light"] / 50])


def fit(x, y, w, seed=0, epochs=60, decay=2e-4, rate=4e-3):
    """One hidden layer, logistic loss, Adam (Kingma and Ba 2015)."""
    r = np.random.RandomState(seed)
    mean, sd = x.mean(0), x.std(0) + 1e-6
    z = np.clip((x - mean) / sd, -4, 4)
    p = [r.randn(z.shape[1], HIDDEN) / np.sqrt(z.shape[1]), np.zeros(HIDDEN),
         r.randn(HIDDEN) / np.sqrt(HIDDEN), np.zeros(1)]
    m, v = [np.zeros_like(q) for q in p], [np.zeros_like(q) for q in p]
    w, t = w / w.mean(), 0
    for epoch in range(epochs):
        order = r.permutation(len(z))
        step = rate * (1 + np.cos(np.pi * epoch / epochs)) / 2 + 5e-5
        for k in range(0, len(z), 2048):
            i = order[k:k + 2048]
            h = np.tanh(z[i] @ p[0] + p[1])
            s = np.clip(h @ p[2] + p[3][0], -30, 30)
            d = w[i] * (1 / (1 + np.exp(-s)) - y[i]) / len(i)
            back = np.outer(d, p[2]) * (1 - h * h)
            grad = [z[i].T @ back + decay * p[0], back.sum(0), h.T @ d + decay * p[2],
                    np.array([d.sum()])]
            t += 1
            for q, g in enumerate(grad):
                m[q] = 0.9 * m[q] + 0.1 * g
                v[q] = 0.999 * v[q] + 0.001 * g * g
                p[q] -= step * (m[q] / (1 - 0.9 ** t)) / (np.sqrt(v[q] / (1 - 0.999 ** t)) + 1e-8)
    return mean, sd, p


def apply(rule, x):
    mean, sd, p = rule
    return np.tanh(np.clip((x - mean) / sd, -4, 4) @ p[0] + p[1]) @ p[2] + p[3][0]


def weights(data, is_dirt):
    """By area, so that pixels count; both kinds share alike."""
    area = data[:, 2] * (720 * 540) / (data[:, 9] * data[:, 10])
    w = np.minimum(np.maximum(area, 3) ** 0.6, 60)
    return np.where(is_dirt > 0, w * (0.4 * w[is_dirt == 0].sum() / w[is_dirt > 0].sum()), w)


def score(title, s, chosen, data, dirt, is_dirt):
    a = np.where(chosen)[0]
    a = a[np.argsort(-s[a])]
    frames = {(int(r), int(t)) for r, t in data[chosen][:, :2]}
    pixels = sum(dirt[r][2] for r, _ in frames)
    all_dirt = sum(dirt[r][0] for r in {r for r, _ in frames})
    hit, miss = np.cumsum(data[a, 3]), np.cumsum(data[a, 5])
    false = np.cumsum(1 - is_dirt[a])
    k = min(np.searchsorted(miss, 1e-4 * pixels), len(a) - 1)
    one = min(np.searchsorted(false, len(frames)), len(a) - 1)
    print("%-24s recall %.3f at 1e-4 (%.1f false objects a frame); %.3f at one a frame "
          "(%.1e, score %.2f)" % (title, hit[k] / all_dirt, false[k] / len(frames),
                                  hit[one] / all_dirt, miss[one] / pixels, s[a[one]]))


def table(name, values, width=6):
    flat = ["%.6gf" % v if "." in "%.6g" % v or "e" in "%.6g" % v else "%.6g.0f" % v for v in values]
    lines = [", ".join(flat[i:i + width]) for i in range(0, len(flat), width)]
    return "static const float %s[] = {\n    %s};\n" % (name, ",\n    ".join(lines))


TEXT = """/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * blemish_fit.h - made by quality/blemish_rule.py; fit it anew instead of editing the numbers.
 * What they mean says blemish_rule.c, which alone includes this.
 */
#ifndef RW_RESTORE_BLEMISH_FIT_H
#define RW_RESTORE_BLEMISH_FIT_H

#define HIDDEN %d

%s
/* Even odds at the score that gives about one false object a frame. */
#define BIAS %sf

#endif
"""


def main():
    dirt, data = load(sys.argv[1])
    is_dirt = (data[:, 4] >= 0.5 * data[:, 2]).astype(float)
    x, w, group = inputs(data[:, 12:]), weights(data, is_dirt), data[:, 11].astype(int)
    unseen = np.zeros(len(data))
    for g in sorted(set(group)):
        unseen[group == g] = apply(fit(x[group != g], is_dirt[group != g], w[group != g]), x[group == g])
    for r, (_, name, _) in sorted(dirt.items()):
        if (data[:, 0] == r).any():
            score(name, unseen, data[:, 0] == r, data, dirt, is_dirt)
    score("all, unseen footage", unseen, group >= 0, data, dirt, is_dirt)
    plain = np.array([not dirt[int(r)][1].startswith("f") for r in data[:, 0]])
    score("without thrown things", unseen, plain, data, dirt, is_dirt)
    rule = fit(x, is_dirt, w)
    seen = apply(rule, x)
    score("all, seen", seen, group >= 0, data, dirt, is_dirt)
    # even odds where, on plain reels, one object a frame is false
    a = np.where(plain)[0]
    a = a[np.argsort(-unseen[a])]
    frames = len({(int(r), int(t)) for r, t in data[plain][:, :2]})
    bar = unseen[a[min(np.searchsorted(np.cumsum(1 - is_dirt[a]), frames), len(a) - 1)]]
    mean, sd, p = rule
    tables = "\n".join([table("mean", mean), table("deviation", sd), table("hidden", p[0].ravel()),
                        table("hidden_bias", p[1]), table("output", p[2])])
    open(sys.argv[2], "w", encoding="ascii").write(TEXT % (HIDDEN, tables, "%.6g" % (p[3][0] - bar)))


main()
