"""Change points and hidden states of the same signals by two general-purpose libraries.

Reads a JSON list of signals on standard input: {"name", "levels", "ours": [0 or 1, ...],
"changes": [true change points] or null}. Prints a table on standard error and one JSON object a
signal on standard output: how far ours agrees with each library, and the delays of each.

ruptures: Truong, Oudre & Vayatis 2020, "Selective review of offline change point detection
methods" (Pelt: Killick, Fearnhead & Eckley 2012). hmmlearn: Gaussian hidden Markov model of two
states, Viterbi path. Both see the whole signal; ours sees one sample after the other.
"""

import json
import sys
import warnings

import numpy as np
import ruptures
from hmmlearn.hmm import GaussianHMM

warnings.filterwarnings("ignore")


def by_changes(levels):
    """Labels by mean shifts: segments above the middle of the two extreme segment means."""
    signal = np.asarray(levels, dtype=float).reshape(-1, 1)
    # Differences of neighbours give the noise whatever the level is; wild ones do not count.
    noise = 1.4826 * np.median(np.abs(np.diff(signal[:, 0]))) / np.sqrt(2)
    penalty = 3 * np.log(len(signal)) * max(noise, 1e-3) ** 2
    # PELT with the mean-shift cost, in C.
    ends = ruptures.KernelCPD(kernel="linear", min_size=2).fit(signal).predict(pen=penalty)
    starts = [0, *ends[:-1]]
    means = [signal[a:b].mean() for a, b in zip(starts, ends)]
    middle = (min(means) + max(means)) / 2
    labels = np.zeros(len(signal), dtype=int)
    for mean, a, b in zip(means, starts, ends):
        labels[a:b] = mean > middle
    return labels


def by_states(levels):
    """Labels of the hidden Markov model's most likely path."""
    signal = np.asarray(levels, dtype=float).reshape(-1, 1)
    low, high = np.quantile(signal, [0.1, 0.9])
    model = GaussianHMM(
        n_components=2, init_params="c", params="mc", n_iter=50, random_state=1, min_covar=1e-4
    )
    model.startprob_ = np.array([0.5, 0.5])
    model.transmat_ = np.array([[0.99, 0.01], [0.01, 0.99]])
    model.means_ = np.array([[low], [high]])
    model.fit(signal)
    path = model.predict(signal)
    return path if model.means_[1, 0] > model.means_[0, 0] else 1 - path


def delays(labels, changes):
    """Samples from each true change until the label is right."""
    found = []
    for number, change in enumerate(changes):
        wanted = 1 - number % 2
        after = np.flatnonzero(np.asarray(labels[change:]) == wanted)
        found.append(int(after[0]) if len(after) else len(labels))
    return found


def main():
    print(
        f"{'signal':26} {'agrees: ruptures':>17} {'hmmlearn':>9}   delays: ours / ruptures / hmmlearn",
        file=sys.stderr,
    )
    for signal in json.load(sys.stdin):
        levels, ours = np.asarray(signal["levels"]), np.asarray(signal["ours"])
        if not signal["changes"]:
            # A train that draws in raises the current a hundredfold in steps: by its order of
            # magnitude a wheelset is a vehicle and a whole train no more than that.
            levels = np.log1p(levels)
        rows = {"ruptures": by_changes(levels), "hmmlearn": by_states(levels)}
        known = ours >= 0
        answer = {"name": signal["name"]}
        for name, labels in rows.items():
            answer[name] = float((labels[known] == ours[known]).mean())
        if signal["changes"]:
            answer["delays"] = {
                "ours": delays(ours, signal["changes"]),
                **{name: delays(labels, signal["changes"]) for name, labels in rows.items()},
            }
        shown = " / ".join(str(delay) for delay in answer.get("delays", {}).values())
        print(
            f"{signal['name']:26} {answer['ruptures']:17.3f} {answer['hmmlearn']:9.3f}   {shown}",
            file=sys.stderr,
        )
        print(json.dumps(answer))


main()
