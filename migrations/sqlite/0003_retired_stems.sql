-- Stems that a newer one of the same take has replaced. A kept bed may still hold them, and takes
-- them out by reading them once more; they are deleted with the sweep, or with their take.

create table retired_stems (
    blob text not null primary key,
    take_id text not null references takes (id),
    piece_id text not null references pieces (id),
    retired_at integer not null
) strict;

create index retired_stems_by_piece on retired_stems (piece_id);
create index retired_stems_by_take on retired_stems (take_id);
create index retired_stems_by_age on retired_stems (retired_at);
