-- A placed take that is laid anew sounds as it was until that is done, so that nobody falls
-- silent meanwhile: 1 from the correction to its outcome, 0 otherwise.

alter table takes add column laid_before integer not null default 0;
