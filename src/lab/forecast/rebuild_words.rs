//! Owns the forecast of a rebuild as people read it. Nothing is decided here.

use std::fmt;

use super::rebuild::{Piece, Rebuild, Run};
use super::trial::DEADLINES_MAX;
use super::verdict_words::what_fits;
use super::window::{Dropped, HostLimits};
use super::words::{CAUTION, Lines, ratio, sized, spoken};
use crate::host::time_limits::TimeLimit;
use crate::units::counted;

impl fmt::Display for Rebuild {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bytes = sized;
        let (member, deadline) = (bytes(self.member_bytes), spoken(self.deadline_ns));
        writeln!(
            f,
            "rebuild of {member} on {}, to be done in {deadline}",
            self.profile
        )?;
        writeln!(f, "the member at the start: {}", self.start)?;
        writeln!(f, "fits: {}", what_fits(&self.host_limits, "the member"))?;
        match &self.foreground {
            Some(beside) => writeln!(
                f,
                "beside it all the time, of {}: {}",
                beside.workload,
                beside.streams.join(", ")
            )?,
            None => writeln!(f, "beside it: nothing else")?,
        }
        for piece in &self.pieces {
            writeln!(f)?;
            self.write_piece(f, piece)?;
        }
        write!(
            f,
            "\nThe other members deliver as fast as this one takes the pieces, one at a time.\n{CAUTION}"
        )
    }
}

impl Rebuild {
    fn write_piece(&self, f: &mut fmt::Formatter<'_>, piece: &Piece) -> fmt::Result {
        let size = sized(piece.piece_bytes);
        let deadline = spoken(self.deadline_ns);
        let late = piece.miss.is_some_and(|miss| miss.late);
        let dropped = piece.miss.and_then(|miss| miss.dropped);
        let verdict = match (piece.fits, dropped) {
            (Some(true), _) => format!("FITS in {deadline}"),
            (Some(false), Some(_)) if late => {
                format!("DOES NOT FIT in {deadline}, and the member would be dropped")
            }
            (Some(false), Some(_)) => "DOES NOT FIT: the member would be dropped".to_owned(),
            (Some(false), None) => format!("DOES NOT FIT in {deadline}"),
            (None, _) => {
                "CANNOT BE TOLD from a part: the staging area may fill over hours".to_owned()
            }
        };
        let beside = if piece.asked_for { "" } else { " (to compare)" };
        let last = piece.last_bytes.map_or(String::new(), |bytes| {
            format!(", the last of {}", sized(bytes))
        });
        writeln!(f, "pieces of {size}{last}{beside}: {verdict}")?;
        let mut lines = Lines { to: f };
        lines.line("time to finish", &self.finish(&piece.member))?;
        if piece.share_milli < 1000 {
            let percent = format!("{}.{} %", piece.share_milli / 10, piece.share_milli % 10);
            let words = format!(
                "EXTRAPOLATED: {percent} of it was run, in stretches from front to back, and its time multiplied"
            );
            lines.line("", &words)?;
        }
        if let Some(alone) = &piece.alone {
            lines.line("  without what is beside it", &self.finish(alone))?;
        }
        let control = self.finish(&piece.control);
        let times = piece.slowdown_milli.map_or(String::new(), |milli| {
            format!("; this member takes {} times as long", ratio(milli))
        });
        lines.line(&format!("  {}", self.control), &format!("{control}{times}"))?;
        let figures = &piece.member.figures;
        let mut stall = spoken(figures.longest_stall_ns);
        if let Some(stopped) = &piece.member.stopped {
            let after = spoken(stopped.after_ns);
            let (written, all) = (stopped.pieces_written, stopped.pieces);
            let words = format!(
                "after {after} with {} of {all} pieces unanswered; what still waited then is in no \
                 figure below",
                all - written
            );
            lines.line("STOPPED", &words)?;
            if stopped.silent_ns > figures.longest_stall_ns {
                stall = format!(
                    "at least {}, until it was stopped",
                    spoken(stopped.silent_ns)
                );
            }
        }
        lines.line("longest without an answer", &stall)?;
        let longest = spoken(figures.longest_request_ns);
        lines.line("longest that a request took", &longest)?;
        lines.line("", &figures.slowest_cause)?;
        write_hosts(&mut lines, piece)
    }

    fn finish(&self, run: &Run) -> String {
        if let Some(ns) = run.finish_ns {
            return spoken(ns);
        }
        let stopped = self.deadline_ns.saturating_mul(DEADLINES_MAX);
        format!("not done within {}", spoken(stopped))
    }
}

/// What hosts would have done.
fn write_hosts(lines: &mut Lines<'_, '_>, piece: &Piece) -> fmt::Result {
    let figures = &piece.member.figures;
    let array = TimeLimit::ArrayRecovery;
    let limit = spoken(array.duration().0);
    let trips = counted(figures.trips(array), "operation");
    let beyond = format!("{trips} above {limit} (array-recovery)");
    lines.line("array error recovery", &beyond)?;
    let judged = piece.miss.and_then(|miss| miss.dropped);
    match judged.or_else(|| HostLimits::all().dropped(figures)) {
        Some(Dropped { limit, after_ns }) => {
            let mut words = format!("after {} by {limit}", spoken(after_ns));
            if judged.is_none() {
                words.push_str(", which is not judged");
            }
            if piece.share_milli < 1000 {
                words.push_str(" of what was run");
            }
            lines.line("member dropped", &words)
        }
        None if piece.member.stopped.is_some() => {
            lines.line("member dropped", "not by the time it was stopped")
        }
        None => lines.line("member dropped", "no"),
    }
}
