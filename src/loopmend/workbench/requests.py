"""What a screen or a command may ask of a case, for those who may import only the workbench."""

from loopmend.case.requests import (
    ApproveOrder,
    ChangeAssumptions,
    Channel,
    CloseCase,
    DeclareFault,
    DraftOrder,
    MoveCrew,
    RecordDrain,
    RecordEvidence,
    RecordRepair,
    Request,
    SignStep,
    StopOrder,
    SwitchEnd,
    TransferClearance,
    WithdrawEvidence,
)

__all__ = [
    "ApproveOrder",
    "ChangeAssumptions",
    "Channel",
    "CloseCase",
    "DeclareFault",
    "DraftOrder",
    "MoveCrew",
    "RecordDrain",
    "RecordEvidence",
    "RecordRepair",
    "Request",
    "SignStep",
    "StopOrder",
    "SwitchEnd",
    "TransferClearance",
    "WithdrawEvidence",
]
