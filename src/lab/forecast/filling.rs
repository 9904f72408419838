//! Owns the workload of a rebuild: a member is written from front to back in pieces, with other streams
//! beside it.
//!
//! Always holds: run as a whole, every sector of the member is written once; what is no whole piece is a
//! last, smaller one. It runs nothing.

use super::asked::written_by_stream;
use crate::lab::summary::Summary;
use crate::lab::workload::{Afterwards, Limits, Mix, Phase, Stream, Workload};

/// A workload that writes `member_bytes` from front to back in pieces, in as many stretches spread
/// evenly as there are shares; together they write `part` of `whole` of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Filling {
    /// Bytes to be written, from the first on.
    pub member_bytes: u64,
    /// Bytes of a write.
    pub piece_bytes: u64,
    /// Stretches; 1: all of it in one.
    pub stretches: u64,
    /// Pieces written in each.
    pub pieces_each: u64,
}

impl Filling {
    /// The workload, with the streams of `foreground` beside it all the time.
    pub(super) fn beside(&self, foreground: Option<&Workload>) -> Workload {
        let from_of = |at: u64| self.member_bytes / self.stretches * at / 4096 * 4096;
        let length = self.pieces_each * self.piece_bytes;
        let fills = (0..self.stretches).map(|at| {
            let name = format!("rebuild {}", at + 1);
            filling(name, (from_of(at), length), self.piece_bytes)
        });
        let mut streams: Vec<Stream> = fills.collect();
        streams.extend(self.rest());
        let others = foreground.map_or(&[][..], |workload| &workload.streams);
        let own = streams.len();
        streams.extend(others.iter().cloned().map(|stream| Stream {
            // It goes on as long as the rebuild does.
            count: None,
            ..stream
        }));
        let beside = own..streams.len();
        let phases = (0..own).map(|at| Phase {
            name: format!("stretch {}", at + 1),
            duration: None,
            streams: std::iter::once(at).chain(beside.clone()).collect(),
        });
        Workload {
            name: "rebuild".to_owned(),
            seed: foreground.map_or(1, |workload| workload.seed),
            limits: Limits::default(),
            rounds: 1,
            afterwards: Afterwards::Stop,
            phases: phases.collect(),
            streams,
        }
    }

    /// Bytes of a last, smaller piece where the member is no multiple of a piece; 0: there is none, or
    /// only stretches are written.
    pub(super) fn rest_bytes(&self) -> u64 {
        match self.stretches {
            1 => (self.member_bytes - self.pieces_each * self.piece_bytes) / 4096 * 4096,
            _ => 0,
        }
    }

    /// The stream that writes it.
    fn rest(&self) -> Option<Stream> {
        let bytes = self.rest_bytes();
        let from = self.pieces_each * self.piece_bytes;
        (bytes > 0).then(|| filling("rebuild, the rest".to_owned(), (from, bytes), bytes))
    }

    /// How many pieces of a rebuild were written, and of how many, by the summary of its run.
    pub(super) fn written(&self, workload: &Workload, summary: &Summary) -> (u64, u64) {
        let own = self.stretches + u64::from(self.rest_bytes() > 0);
        let bytes = written_by_stream(workload, summary);
        let streams = workload.streams.iter().zip(bytes).zip(0..own);
        let pieces = streams.map(|((stream, bytes), _)| bytes / stream.largest().max(1));
        (
            pieces.sum(),
            self.pieces() + u64::from(self.rest_bytes() > 0),
        )
    }

    /// Pieces of full size written in all.
    pub(super) fn pieces(&self) -> u64 {
        self.stretches * self.pieces_each
    }
}

/// A stream that writes a range in pieces.
fn filling(name: String, range: (u64, u64), piece_bytes: u64) -> Stream {
    let mix = Mix {
        write: 100,
        ..Mix::default()
    };
    Stream::once_through(name, range, piece_bytes, mix)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lab::workload::Spot;

    #[test]
    fn a_filling_writes_each_stretch_from_its_own_beginning() {
        let filling = Filling {
            member_bytes: 1 << 30,
            piece_bytes: 1 << 20,
            stretches: 4,
            pieces_each: 8,
        };
        let workload = filling.beside(None);
        let from: Vec<Spot> = workload.streams.iter().map(|s| s.place.from).collect();
        let quarter = 1 << 28;
        assert_eq!(from, [0, 1, 2, 3].map(|at| Spot::Bytes(at * quarter)));
        let counts: Option<u64> = workload.streams.iter().map(|stream| stream.count).sum();
        assert_eq!(counts, Some(filling.pieces()));
    }
}
