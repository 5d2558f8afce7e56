-- Called by learning.Peers: what steps took other surgeons in some bands.
SELECT surgeon, band, steps, counts, seconds FROM peer_band WHERE band = ANY ($1) AND surgeon <> $2
