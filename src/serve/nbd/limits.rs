//! Owns the limits of memory and requests, and the guards that hold shares of them.
//!
//! [`Account::take`] blocks until there is room and its [`Permit`] gives back when dropped, so
//! nothing is allocated before it is allowed. Each connection owns a small amount of its own that
//! nobody can take away; only what exceeds it comes from the pool all connections share, first
//! come first served. A connection that waits long for the pool asks for the connections whose
//! clients have stopped reading or sending to be closed (see [`Budget::new`]), so a stuck client
//! costs others at most that wait. Nothing here knows about sockets.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// How much clients may have in flight.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Connections at a time.
    pub connections: u32,
    /// Requests in flight per connection.
    pub connection_requests: u32,
    /// Payload bytes in flight per connection. At least one largest payload (32 MiB).
    pub connection_bytes: u64,
    /// Of these, bytes every connection has for itself.
    pub connection_own_bytes: u64,
    /// Payload bytes in flight that connections share, above their own. At least one largest
    /// payload (32 MiB).
    pub shared_bytes: u64,
    /// How long a request waits for shared bytes before stuck clients lose their connection, and
    /// how long a client must have been stuck for that.
    pub stuck: Duration,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            connections: 128,
            connection_requests: 128,
            connection_bytes: 64 << 20,
            connection_own_bytes: 1 << 20,
            shared_bytes: 256 << 20,
            stuck: Duration::from_secs(5),
        }
    }
}

/// What all connections share.
pub(super) struct Budget {
    limits: Limits,
    pool: Mutex<Pool>,
    changed: Condvar,
    relieve: Box<dyn Fn() + Send + Sync>,
}

struct Pool {
    free: u64,
    /// Tickets of those who wait, oldest first. Only the first may take.
    queue: VecDeque<u64>,
    next_ticket: u64,
}

/// One connection's part.
pub(super) struct Account {
    budget: Arc<Budget>,
    state: Mutex<Held>,
    changed: Condvar,
}

#[derive(Default)]
struct Held {
    requests: u32,
    own: u64,
    shared: u64,
    closed: bool,
    /// Whether the connection's reader sleeps in `take`.
    waiting: bool,
}

/// A share of the limits: one request and some bytes. Gives them back when dropped.
pub(super) struct Permit {
    account: Arc<Account>,
    own: u64,
    shared: u64,
}

impl Budget {
    /// A full budget. `relieve` is called, without locks held, each time somebody has waited for
    /// [`Limits::stuck`]; it may close accounts and end connections, and must not block.
    pub(super) fn new(limits: Limits, relieve: Box<dyn Fn() + Send + Sync>) -> Arc<Budget> {
        Arc::new(Budget {
            limits,
            pool: Mutex::new(Pool {
                free: limits.shared_bytes,
                queue: VecDeque::new(),
                next_ticket: 0,
            }),
            changed: Condvar::new(),
            relieve,
        })
    }

    /// A connection's account. Each is used by one taker at a time.
    pub(super) fn open(self: &Arc<Budget>) -> Arc<Account> {
        Arc::new(Account {
            budget: Arc::clone(self),
            state: Mutex::new(Held::default()),
            changed: Condvar::new(),
        })
    }

    /// Takes from the pool in turn; false once `closed` says so.
    fn take_shared(&self, bytes: u64, closed: impl Fn() -> bool) -> bool {
        let mut pool = lock(&self.pool);
        let ticket = pool.next_ticket;
        pool.next_ticket += 1;
        pool.queue.push_back(ticket);
        loop {
            // The caller must hold no lock of its account here: `closed` takes it, and whoever
            // closes an account notifies under the lock of the pool.
            let gone = closed();
            let first = pool.queue.front() == Some(&ticket);
            if gone || (first && pool.free >= bytes) {
                pool.queue.retain(|waiting| *waiting != ticket);
                if !gone {
                    pool.free -= bytes;
                }
                self.changed.notify_all();
                return !gone;
            }
            let (guard, wait) = self
                .changed
                .wait_timeout(pool, self.limits.stuck)
                .unwrap_or_else(PoisonError::into_inner);
            pool = guard;
            if wait.timed_out() {
                drop(pool);
                (self.relieve)();
                pool = lock(&self.pool);
            }
        }
    }

    fn give_shared(&self, bytes: u64) {
        let mut pool = lock(&self.pool);
        pool.free += bytes;
        if !pool.queue.is_empty() {
            self.changed.notify_all();
        }
    }
}

impl Account {
    /// Takes one request and `bytes`, waiting until both are to be had. `None` once the account
    /// is closed.
    ///
    /// # Panics
    /// If `bytes` exceeds what a connection may ever have: the caller checks lengths first.
    pub(super) fn take(self: &Arc<Account>, bytes: u64) -> Option<Permit> {
        let limits = &self.budget.limits;
        assert!(
            bytes <= limits.connection_bytes.min(limits.shared_bytes),
            "lengths are checked before memory is asked for"
        );
        let mut held = lock(&self.state);
        while !held.closed
            && (held.requests >= limits.connection_requests
                || held.own + held.shared + bytes > limits.connection_bytes)
        {
            held.waiting = true;
            held = self
                .changed
                .wait(held)
                .unwrap_or_else(PoisonError::into_inner);
            held.waiting = false;
        }
        if held.closed {
            return None;
        }
        held.requests += 1;
        let own = held.own + bytes <= limits.connection_own_bytes;
        if own {
            held.own += bytes;
            drop(held);
            return Some(self.permit(bytes, 0));
        }
        held.shared += bytes;
        drop(held);
        if self.budget.take_shared(bytes, || lock(&self.state).closed) {
            return Some(self.permit(0, bytes));
        }
        let mut held = lock(&self.state);
        held.requests -= 1;
        held.shared -= bytes;
        None
    }

    /// Whether it holds, or waits for, bytes that all connections share.
    pub(super) fn holds_shared(&self) -> bool {
        lock(&self.state).shared > 0
    }

    /// Refuses every later `take` and wakes the one that waits.
    pub(super) fn close(&self) {
        lock(&self.state).closed = true;
        self.changed.notify_all();
        // Under the pool's lock, so that a taker is either before its check or asleep.
        let _pool = lock(&self.budget.pool);
        self.budget.changed.notify_all();
    }

    fn permit(self: &Arc<Account>, own: u64, shared: u64) -> Permit {
        Permit {
            account: Arc::clone(self),
            own,
            shared,
        }
    }
}

impl Drop for Permit {
    fn drop(&mut self) {
        if self.shared > 0 {
            self.account.budget.give_shared(self.shared);
        }
        let mut held = lock(&self.account.state);
        held.requests -= 1;
        held.own -= self.own;
        held.shared -= self.shared;
        if held.waiting {
            self.account.changed.notify_all();
        }
    }
}

/// A panic elsewhere leaves plain numbers behind, which stay true.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU32, Ordering};

    use proptest::prelude::*;

    use super::*;

    const SMALL: Limits = Limits {
        connections: 4,
        connection_requests: 3,
        connection_bytes: 100,
        connection_own_bytes: 10,
        shared_bytes: 150,
        stuck: Duration::from_millis(20),
    };

    fn budget() -> Arc<Budget> {
        Budget::new(SMALL, Box::new(|| {}))
    }

    /// Takes on a thread of its own; the receiver hears of it when it is done.
    fn take_elsewhere(
        account: &Arc<Account>,
        bytes: u64,
    ) -> crossbeam_channel::Receiver<Option<Permit>> {
        let (sender, receiver) = crossbeam_channel::bounded(1);
        let account = Arc::clone(account);
        std::thread::spawn(move || sender.send(account.take(bytes)));
        receiver
    }

    fn until(condition: impl Fn() -> bool) {
        while !condition() {
            std::thread::yield_now();
        }
    }

    #[test]
    fn requests_beyond_the_limit_wait_for_one_to_end() {
        let account = budget().open();
        let mut held: Vec<_> = (0..3).map(|_| account.take(0)).collect();
        let fourth = take_elsewhere(&account, 0);
        until(|| lock(&account.state).waiting);
        assert!(fourth.is_empty());
        drop(held.pop());
        assert!(fourth.recv().unwrap().is_some());
    }

    #[test]
    fn a_connection_gets_its_own_bytes_even_if_others_hold_all_shared_ones() {
        let budget = budget();
        let hogs = [budget.open(), budget.open()];
        let _held = [hogs[0].take(100), hogs[1].take(50)];
        assert_eq!(lock(&budget.pool).free, 0);
        assert!(hogs.iter().all(|hog| hog.holds_shared()));
        let account = budget.open();
        let permit = account.take(10);
        assert!(permit.is_some());
        assert!(!account.holds_shared());
    }

    #[test]
    fn shared_bytes_are_given_in_the_order_they_were_asked_for() {
        let budget = budget();
        let first = budget.open().take(100);
        let large = take_elsewhere(&budget.open(), 100);
        until(|| lock(&budget.pool).queue.len() == 1);
        let small = take_elsewhere(&budget.open(), 50);
        until(|| lock(&budget.pool).queue.len() == 2);
        assert!(
            small.is_empty(),
            "there is room, but the large one came first"
        );
        drop(first);
        let large = large.recv().unwrap();
        let small = small.recv().unwrap();
        assert!(large.is_some() && small.is_some());
        drop((large, small));
        assert_eq!(lock(&budget.pool).free, 150);
    }

    #[test]
    fn closing_an_account_wakes_whoever_waits_and_leaves_nothing_taken() {
        let budget = budget();
        let account = budget.open();
        let other = budget.open().take(100);
        let mine = account.take(50);
        let shared = take_elsewhere(&account, 50);
        until(|| lock(&budget.pool).queue.len() == 1);
        account.close();
        assert!(shared.recv().unwrap().is_none());
        assert!(account.take(0).is_none());
        drop((other, mine));
        assert_eq!(lock(&budget.pool).free, 150);
        assert!(lock(&budget.pool).queue.is_empty());
        assert!(!account.holds_shared());
    }

    #[test]
    fn whoever_waits_long_asks_for_relief() {
        let calls = Arc::new(AtomicU32::new(0));
        let counter = Arc::clone(&calls);
        let relieve = move || {
            counter.fetch_add(1, Ordering::SeqCst);
        };
        let budget = Budget::new(SMALL, Box::new(relieve));
        let held = budget.open().take(100);
        let waiting = take_elsewhere(&budget.open(), 100);
        until(|| calls.load(Ordering::SeqCst) >= 2);
        assert!(waiting.is_empty());
        drop(held);
        assert!(waiting.recv().unwrap().is_some());
    }

    proptest! {
        #[test]
        fn what_is_taken_and_given_back_adds_up(
            steps in prop::collection::vec((0_u64..=100, any::<bool>(), 0_usize..4), 1..200),
        ) {
            let budget = budget();
            let account = budget.open();
            let mut held: Vec<(u64, Permit)> = Vec::new();
            for (bytes, take, which) in steps {
                let total: u64 = held.iter().map(|(bytes, _)| bytes).sum();
                if take && held.len() < 3 && total + bytes <= 100 {
                    held.push((bytes, account.take(bytes).expect("it is open")));
                } else if !held.is_empty() {
                    held.swap_remove(which % held.len());
                }
                let total: u64 = held.iter().map(|(bytes, _)| bytes).sum();
                let state = lock(&account.state);
                prop_assert_eq!(state.own + state.shared, total);
                prop_assert!(state.own <= 10);
                prop_assert_eq!(usize::try_from(state.requests).unwrap(), held.len());
                prop_assert_eq!(lock(&budget.pool).free, 150 - state.shared);
            }
        }
    }
}
