//! Owns who carries replies on once several of them are ready, and when they are told.
//!
//! A reply function only puts its reply down; a carrier takes all that lie there to the client, so
//! that replies of one moment cost one system call. It knows nothing of what is carried.

use std::sync::{Arc, Weak};

use super::handle::Carrier;

/// Replies that may lie there before they are carried, with the pace off.
const REPLIES_MAX: u32 = 4;
/// Turns for which a reply may lie there.
const TURNS_MAX: u32 = 8;
/// Payload carried at a time while moments are kept: a fraction of the lag that is noticed.
const PACED_BYTES_MAX: usize = 64 << 10;
/// Payload carried at a time with the pace off.
const BYTES_MAX: usize = 2 << 20;

/// See the module's description.
#[derive(Default)]
pub(super) struct Carriers {
    /// Those of clients that are still there. Few enough to look through.
    known: Vec<Weak<dyn Carrier>>,
    /// Replies put down since they were carried last.
    lying: u32,
    /// Turns since then.
    turns: u32,
}

impl Carriers {
    /// A call came whose reply this one will carry.
    pub(super) fn meet(&mut self, carrier: &Arc<dyn Carrier>) {
        let is_it =
            |known: &Weak<dyn Carrier>| std::ptr::addr_eq(known.as_ptr(), Arc::as_ptr(carrier));
        if !self.known.iter().any(is_it) {
            self.known.push(Arc::downgrade(carrier));
        }
    }

    /// A reply was put down.
    pub(super) fn reply_put_down(&mut self) {
        self.lying += 1;
    }

    /// A turn is over; `more` of them follow at once. Carries what cannot wait for those: with a
    /// pace, everything.
    pub(super) fn turn_over(&mut self, more: bool, paced: bool) {
        if self.lying == 0 {
            return;
        }
        self.turns += 1;
        if !paced && more && self.lying < REPLIES_MAX && self.turns < TURNS_MAX {
            return;
        }
        let bytes_max = if paced { PACED_BYTES_MAX } else { BYTES_MAX };
        (self.lying, self.turns) = (0, 0);
        self.known.retain(|known| match known.upgrade() {
            Some(carrier) => {
                carrier.carry(bytes_max);
                true
            }
            None => false,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU32, Ordering};

    #[derive(Default)]
    struct Counting(AtomicU32);

    impl Carrier for Counting {
        fn carry(&self, _bytes_max: usize) {
            self.0.fetch_add(1, Ordering::SeqCst);
        }
    }

    #[test]
    fn replies_are_carried_before_a_rest_and_a_few_turns_after_they_were_put_down() {
        let counting = Arc::new(Counting::default());
        let carrier: Arc<dyn Carrier> = counting.clone();
        let mut carriers = Carriers::default();
        let told = || counting.0.load(Ordering::SeqCst);
        carriers.meet(&carrier);
        carriers.meet(&carrier);
        carriers.turn_over(false, false);
        assert_eq!(told(), 0, "nothing lies there");
        carriers.reply_put_down();
        carriers.turn_over(true, false);
        assert_eq!(told(), 0, "another may follow at once");
        carriers.turn_over(false, false);
        assert_eq!(told(), 1);
        carriers.reply_put_down();
        (0..1000).for_each(|_| carriers.turn_over(true, false));
        assert_eq!(told(), 2, "the turns go on and on");
        (0..1000).for_each(|_| carriers.reply_put_down());
        carriers.turn_over(true, false);
        assert_eq!(told(), 3, "many lie there");
        carriers.reply_put_down();
        carriers.turn_over(true, true);
        assert_eq!(told(), 4, "its moment has come");
    }

    #[test]
    fn a_client_that_is_gone_is_forgotten() {
        let carrier: Arc<dyn Carrier> = Arc::new(Counting::default());
        let mut carriers = Carriers::default();
        carriers.meet(&carrier);
        drop(carrier);
        carriers.reply_put_down();
        carriers.turn_over(false, false);
        assert!(carriers.known.is_empty());
    }
}
