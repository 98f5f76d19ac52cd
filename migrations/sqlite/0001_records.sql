-- Ids are short texts that sort by time, instants are microseconds since 1970 (UTC), flags are
-- 0 or 1, JSON is text ('null' where nothing is known yet), secrets are BLAKE3 hashes in hex.

create table organisers (
    id text not null primary key,
    name text not null,
    token_hash text not null unique,
    created_at integer not null,
    revoked_at integer
) strict;

create table pieces (
    id text not null primary key,
    slug text not null unique,
    title text not null,
    version integer not null,
    closed integer not null default 0,
    created_at integer not null,
    updated_at integer not null
) strict;

create table piece_versions (
    piece_id text not null references pieces (id),
    version integer not null,
    format text not null check (format in ('toml', 'json')),
    document text not null,
    saved_by text not null,
    note text not null,
    saved_at integer not null,
    primary key (piece_id, version)
) strict;

create table arrangement_versions (
    piece_id text not null references pieces (id),
    version integer not null,
    format text not null check (format in ('toml', 'json')),
    document text not null,
    saved_by text not null,
    note text not null,
    saved_at integer not null,
    primary key (piece_id, version)
) strict;

-- Files that belong to a piece: the guide pack's (written by a job, of one version of the
-- document) and the organiser's own (a mark of theirs, a room's impulse response).
create table piece_files (
    piece_id text not null references pieces (id),
    shelf text not null check (shelf in ('pack', 'own')),
    name text not null,
    piece_version integer not null,
    media_type text not null,
    blob text not null,
    bytes integer not null,
    content_hash text not null,
    created_at integer not null,
    primary key (piece_id, shelf, name)
) strict;

create table uploads (
    id text not null primary key,
    token_hash text not null unique,
    piece_id text not null references pieces (id),
    length integer,
    received integer not null,
    metadata text not null,
    blob text,
    content_hash text,
    take_id text references takes (id),
    created_at integer not null,
    expires_at integer not null
) strict;

create index uploads_by_expiry on uploads (expires_at);
create index uploads_by_piece on uploads (piece_id);
create index uploads_by_take on uploads (take_id);

create table takes (
    id text not null primary key,
    piece_id text not null references pieces (id),
    state text not null check (
        state in ('received', 'conforming', 'placed', 'asks', 'unusable', 'withdrawn')
    ),
    form text not null,
    idempotency_key text,
    file_name text not null,
    media_type text not null,
    blob text,
    bytes integer not null,
    content_hash text,
    outcome text not null default 'null',
    findings text not null default '[]',
    plots text not null default 'null',
    corrections text not null default '{}',
    replaces text references takes (id),
    replaced_by text references takes (id),
    tombstone text not null default 'null',
    created_at integer not null,
    updated_at integer not null,
    unique (piece_id, idempotency_key)
) strict;

create index takes_by_piece on takes (piece_id, id);
create index takes_by_state on takes (piece_id, state, id);
create index takes_by_content on takes (piece_id, content_hash);
create index takes_by_blob on takes (blob);
create index takes_by_replaces on takes (replaces);
create index takes_by_replaced_by on takes (replaced_by);

-- A take may have several receipt links: a submission that was sent twice is one take.
create table receipts (
    token_hash text not null primary key,
    take_id text not null references takes (id),
    created_at integer not null
) strict;

create index receipts_by_take on receipts (take_id);

create table stems (
    take_id text not null primary key references takes (id),
    blob text not null,
    bytes integer not null,
    content_hash text not null,
    engine_version text not null,
    summary text not null,
    created_at integer not null
) strict;

create index stems_by_blob on stems (blob);

create table renders (
    id text not null primary key,
    piece_id text not null references pieces (id),
    kind text not null check (kind in ('preview', 'final')),
    occasion text,
    request text not null,
    requested_by text not null,
    state text not null check (
        state in ('queued', 'rendering', 'done', 'failed', 'cancelled')
    ),
    progress_permille integer not null default 0,
    doing text not null default '',
    result text not null default 'null',
    error text,
    created_at integer not null,
    started_at integer,
    finished_at integer,
    unique (piece_id, occasion)
) strict;

create index renders_by_piece on renders (piece_id, kind, state, id);

create table render_files (
    render_id text not null references renders (id),
    name text not null,
    media_type text not null,
    blob text not null,
    bytes integer not null,
    content_hash text not null,
    primary key (render_id, name)
) strict;

create index render_files_by_blob on render_files (blob);
create index piece_files_by_blob on piece_files (blob);
create index uploads_by_blob on uploads (blob);

create table events (
    id text not null primary key,
    piece_id text references pieces (id),
    kind text not null,
    subject text not null,
    data text not null,
    at integer not null
) strict;

create index events_by_piece on events (piece_id, at, id);
