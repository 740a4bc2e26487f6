-- Which pass belongs to which comparison was looked for row by row.
CREATE INDEX pass_outcome ON pass (comparison_id);

-- Smallest stops at which the new motes show, as a JSON list with null for those that do not; null: not worked out yet.
ALTER TABLE comparison ADD COLUMN new_from TEXT;
