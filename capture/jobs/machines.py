"""Machines in the journal: what is known of them, and registering them."""

from collections.abc import Collection
from uuid import UUID

from pydantic import ValidationError

from capture.clock import Clock
from capture.errors import InputError, NotThereError
from capture.faults import one_line
from capture.jobs.writing import Append, Who
from capture.journal import JournalReader
from capture.model.machine import MachineEntry, Nameplate


class MachineRegister:
    """The machines of one bench. Used by one thread at a time."""

    def __init__(
        self, reader: JournalReader, append: Append, clock: Clock, site: str, bench: str
    ) -> None:
        self._reader = reader
        self._append = append
        self._clock = clock
        self._site = site
        self._bench = bench

    def register(
        self, machine: str, nameplate: Nameplate, who: Who, note: str = ""
    ) -> MachineEntry:
        """Register a machine, or say anew what is known of it.

        Raises:
            InputError: a field cannot be taken, or the id was used for something else.
        """
        known = self._reader.entry(who.id)
        if known is not None:
            if known.kind != "machine" or known.subject != machine:
                raise InputError(f"the id {who.id} belongs to another entry; make a new one")
            stored = MachineEntry.model_validate_json(known.body)
            if (stored.nameplate, stored.note) != (nameplate, note):
                raise InputError(
                    f"the id {who.id} stands for another description of {machine} already; "
                    "make a new one for what has changed"
                )
            return stored
        try:
            entry = MachineEntry(
                id=who.id,
                site=self._site,
                bench=self._bench,
                time=self._clock.utc(),
                operator=who.operator,
                machine=machine,
                nameplate=nameplate,
                note=note,
            )
        except ValidationError as error:
            raise InputError(one_line(error)) from error
        self._append([entry], None)
        return entry

    def check_new(self, machine: str, who: Who, earlier: Collection[UUID] = ()) -> None:
        """Refuse to register a machine where there is one, whose description would be replaced.

        What ``who`` writes may be stored already: handing it in twice does it once. ``earlier`` are
        tries whose answer was lost; what one of them stored may be said anew.

        Raises:
            InputError: there is a machine of this name, or of one that differs in capitals only,
                which a person would take for the same.
        """
        if self._reader.entry(who.id) is not None:
            return
        name = machine.casefold()
        for each in self.machines():
            if each.machine.casefold() != name or each.id in earlier:
                continue
            if each.machine == machine:
                raise InputError(
                    f"machine {machine!r} is registered already; what is known of it is said anew "
                    "at the machine itself"
                )
            raise InputError(
                f"machine {each.machine!r} is registered, and {machine!r} differs from it in "
                "capitals only; give it another name"
            )

    def machines(self) -> list[MachineEntry]:
        """List every machine as it was last described, newest first."""
        rows = self._reader.newest_by_subject("machine")
        return [MachineEntry.model_validate_json(row.body) for row in rows]

    def machine(self, machine: str) -> MachineEntry:
        """Give a machine as it was last described.

        Raises:
            NotThereError: nobody registered it.
        """
        history = self.machine_history(machine)
        if not history:
            raise NotThereError(f"machine {machine!r} is not registered; register it first")
        return history[-1]

    def described(self, machine: str) -> int:
        """Give the number of the entry that described a machine last; 0 where none did."""
        rows = self._reader.of_subject("machine", machine)
        return rows[-1].n if rows else 0

    def machine_history(self, machine: str) -> list[MachineEntry]:
        """Give every description of a machine, oldest first."""
        rows = self._reader.of_subject("machine", machine)
        return [MachineEntry.model_validate_json(row.body) for row in rows]
