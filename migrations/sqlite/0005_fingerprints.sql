-- How a recording sounds, in some kilobytes, so that the same one sent again in another form is
-- known. It goes with its take.

create table fingerprints (
    piece_id text not null references pieces (id),
    take_id text not null unique references takes (id),
    print blob not null,
    primary key (piece_id, take_id)
) strict;
