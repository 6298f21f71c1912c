"""Exports of the record as other programs read them; prints one JSON object.

    export.py statements FILE     which lines are xAPI statements, by ralph's models
    export.py table FILE          what a database reads from a CSV or Parquet file
"""

import json
import math
import sys


def statements(path):
    from pydantic import ValidationError
    from ralph.models.xapi.base.statements import BaseXapiStatement

    refused, ids, verbs = [], [], {}
    with open(path, encoding="utf-8") as lines:
        for number, line in enumerate(lines, 1):
            try:
                statement = BaseXapiStatement.model_validate_json(line)
            except ValidationError as error:
                first = error.errors()[0]
                refused.append([number, ".".join(map(str, first["loc"])), first["msg"]])
                continue
            ids.append(str(statement.id))
            verbs[str(statement.verb.id)] = verbs.get(str(statement.verb.id), 0) + 1
    return {"taken": len(ids), "ids": len(set(ids)), "verbs": verbs, "refused": refused}


def table(path):
    import duckdb

    duckdb.sql("SET TimeZone = 'UTC'")
    is_parquet = path.endswith(".parquet")
    source = duckdb.read_parquet(path) if is_parquet else duckdb.read_csv(path)
    columns = [[name, str(kind)] for name, kind in zip(source.columns, source.types)]
    rows = [dict(zip(source.columns, row)) for row in source.fetchall()]
    components = {}
    for row in rows:
        if row["goals"] == "own":
            components.setdefault(row["component"], []).append((row["component_value"], row["component_score"]))
    total = lambda values: math.fsum(value for value in values if value is not None)
    sums = {
        name: [
            len(pairs),
            sum(value is not None for value, _ in pairs),
            total(value for value, _ in pairs),
            total(score for _, score in pairs),
        ]
        for name, pairs in components.items()
    }
    said = {}
    if is_parquet:
        for key, value in duckdb.execute("SELECT key, value FROM parquet_kv_metadata(?)", [path]).fetchall():
            said[key.decode()] = value.decode()
    rows = [{name: None if value is None else str(value) for name, value in row.items()} for row in rows]
    return {"columns": columns, "components": sums, "rows": rows, "said": said}


print(json.dumps({"statements": statements, "table": table}[sys.argv[1]](sys.argv[2])))
