-- Called by projector.apply and by a rebuild: how far these read models have come.
UPDATE checkpoint SET position = $1
