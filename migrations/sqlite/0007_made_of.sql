-- What a guide pack was made of, as a hash, so that a change of the piece that does not touch it
-- leaves it as it is.

alter table piece_files add column made_of text not null default '';
