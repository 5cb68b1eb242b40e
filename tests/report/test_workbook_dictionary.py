"""The data dictionary against the rules of Table Schema (Frictionless, version 1)."""

from __future__ import annotations

from report_tables import make_input

from rehit.report.workbook import data_package, table_schema

TYPES = {"string", "number", "integer", "boolean", "object", "array", "date", "time", "datetime",
         "year", "yearmonth", "duration", "geopoint", "geojson", "any"}
CONSTRAINTS = {"required", "unique", "minLength", "maxLength", "minimum", "maximum", "pattern",
               "enum"}


def test_every_field_has_a_type_and_constraints_of_the_standard() -> None:
    inputs = make_input(n=60)
    for attribute, frame in inputs.tables():
        schema = table_schema(attribute, frame)
        names = [f["name"] for f in schema["fields"]]
        assert len(names) == len(set(names))
        assert set(schema.get("primaryKey", [])) <= set(names)
        for field in schema["fields"]:
            assert field["type"] in TYPES
            assert set(field.get("constraints", {})) <= CONSTRAINTS


def test_contract_columns_carry_meaning_unit_and_codes() -> None:
    inputs = make_input(n=60)
    fields = {f["name"]: f for f in table_schema("incidents", inputs.incidents)["fields"]}
    assert fields["reported_at"]["type"] == "datetime"
    assert fields["area_m2"]["unit"] == "m2"
    assert "offensive" in fields["priority"]["constraints"]["enum"]
    assert fields["incident_id"]["constraints"]["required"] is True
    assert fields["match_confidence"]["constraints"] == {"minimum": 0, "maximum": 1}


def test_columns_of_the_user_are_listed_with_the_type_found() -> None:
    inputs = make_input(n=20, full=False)
    frame = inputs.incidents.assign(my_flag=True, my_number=1.5)
    fields = {f["name"]: f for f in table_schema("incidents", frame)["fields"]}
    assert fields["my_flag"] == {"name": "my_flag", "type": "boolean"}
    assert fields["my_number"]["type"] == "number"
    assert '"name": "rehit-report"' in data_package("Town", {})
