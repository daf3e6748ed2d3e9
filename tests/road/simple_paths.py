"""Counts the ways between all pairs of blocks with networkx, from a layout as JSON on standard input.

The layout lists items with their ends, the pairs of ends that are joined, the pairs of ends that a
table joins at a stop, and what a single slip lacks. A node is an end by which an item is entered; an
edge is a passage through the item and over the join beyond. networkx's all_simple_paths lists the
paths; those that pass an item twice are no ways and are dropped here.
"""

import json
import sys

import networkx


def main():
    layout = json.load(sys.stdin)
    item_of = {}
    for kind in ("blocks", "turnouts", "tracks"):
        for name, ends in layout[kind].items():
            for end in ends:
                item_of[end] = name
    bridges = set(layout["bridges"])
    beyond = {}
    for one, other in layout["joins"] + layout["stops"]:
        beyond.setdefault(one, set()).add(other)
        beyond.setdefault(other, set()).add(one)

    def onward(end):
        name = item_of[end]
        if name in layout["turnouts"]:
            toe, *legs = layout["turnouts"][name]
            return legs if end == toe else [toe]
        ends = (layout["blocks"] | layout["tracks"])[name]
        if name in bridges:
            return ends
        return [other for other in ends if other != end]

    graph = networkx.DiGraph()
    for end in item_of:
        for out in onward(end):
            for entered in beyond.get(out, ()):
                graph.add_edge(end, entered)

    forbidden = {frozenset(pair) for pair in layout["forbidden"]}

    def leg_taken(path, index):
        """The end by which the item at an index of a path is left."""
        for out in onward(path[index]):
            if path[index + 1] in beyond.get(out, ()):
                return out
        raise AssertionError(path)

    def is_way(path):
        names = [item_of[end] for end in path]
        if len(set(names)) != len(names):
            return False
        for index in range(1, len(path) - 2):
            if names[index] in layout["turnouts"] and names[index + 1] in layout["turnouts"]:
                legs = frozenset((path[index], leg_taken(path, index + 1)))
                if legs in forbidden:
                    return False
        return True

    def shown(end):
        return item_of[end] if item_of[end] in bridges else end

    answer = {}
    for source in layout["blocks"]:
        for goal in layout["blocks"]:
            if source == goal:
                continue
            ways = set()
            for start in layout["blocks"][source]:
                for finish in layout["blocks"][goal]:
                    if start not in graph or finish not in graph:
                        continue
                    for path in networkx.all_simple_paths(graph, start, finish):
                        # A train does not turn round in its first block.
                        first = [end for end in onward(start) if end != start]
                        if not any(path[1] in beyond.get(out, ()) for out in first):
                            continue
                        if is_way(path):
                            entered = [shown(end) for end in path]
                            ways.add(" ".join(entered))
            answer[f"{source} {goal}"] = sorted(ways)
    json.dump(answer, sys.stdout)


main()
